"""What the two readers of text share: limits, findings as they are met, and when to give up."""

from dataclasses import dataclass, field
from typing import Any

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.rulebook.document import Document, Spot, line_starts
from fieldworthy.core.rulebook.scalars import CONTROL, control_name

MAX_BYTES = 1_000_000
MAX_DEPTH = 40
MAX_NODES = 50_000
MAX_PATH = 600
MAX_FINDINGS = 50


class GiveUp(Exception):
    """The rest of the text can't be read, or not be trusted; the findings say why."""


@dataclass(slots=True)
class Reading:
    """A text being read. findings: what was met so far; readable: the values are whole in spite of the findings."""

    text: str
    spots: dict[str, Spot] = field(default_factory=dict)
    key_spots: dict[str, Spot] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    starts: tuple[int, ...] = ()
    data: Any = None
    nodes: int = 0

    def __post_init__(self) -> None:
        self.starts = tuple(line_starts(self.text))

    def find(self, code: str, index: int, path: str, message: str, mend: str) -> None:
        """Notes an error at a character of the text; gives up after too many."""
        line, column = self.document().line_and_column(index)
        self.findings.append(Finding(f"document.{code}", message, mend, path=path, line=line, column=column))
        if len(self.findings) >= MAX_FINDINGS:
            raise GiveUp

    def stop(self, code: str, index: int, path: str, message: str, mend: str) -> GiveUp:
        """The same for an error that nothing can be read beyond; raise what it gives."""
        self.find(code, index, path, message, mend)
        return GiveUp()

    def count(self, index: int, path: str) -> None:
        """Counts one value; gives up where there are too many, or where the names that lead to it are too long to be kept for each."""
        self.nodes += 1
        if len(path) > MAX_PATH:
            raise self.stop(
                "names_too_long", index, short(path), "the names that lead here are too long", "a declared name has at most 80 characters"
            )
        if self.nodes > MAX_NODES:
            raise self.stop(
                "too_many_values", index, path, f"the document holds more than {MAX_NODES:,} values", "split it into several rulebooks"
            )

    def deeper(self, depth: int, index: int, path: str) -> None:
        """Gives up where values are nested too deeply."""
        if depth > MAX_DEPTH:
            raise self.stop(
                "too_deep",
                index,
                short(path),
                f"values are nested more than {MAX_DEPTH} deep",
                "a rulebook needs no such nesting: flatten it",
            )

    def check_text(self, value: str, index: int, path: str) -> None:
        """Gives up at a control character or a lone surrogate that an escape put into a text: it can't be written in an answer."""
        found = CONTROL.search(value)
        if found is not None:
            raise self.stop(
                "control_character", index, path, f"the text holds the control character {control_name(found[0])}", "take the character out"
            )

    def document(self) -> Document:
        return Document(self.data, self.text, self.spots, self.key_spots, self.starts)


def short(path: str) -> str:
    """A pointer that may be very long, cut at a part's end."""
    return path if len(path) <= 200 else path[:200].rpartition("/")[0]
