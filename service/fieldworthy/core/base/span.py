"""Places in a text."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """Characters `start` (included) to `end` (excluded) of one text, counted from 0."""

    start: int
    end: int


def line_and_column(text: str, offset: int) -> tuple[int, int]:
    """Line and column, both counted from 1, of the character at `offset` (the text's end at most)."""
    before = text[: max(0, min(offset, len(text)))]
    line = before.count("\n") + 1
    return line, len(before) - (before.rfind("\n") + 1) + 1
