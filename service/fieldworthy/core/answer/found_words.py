"""What is said of a word that was found at a task and is none of the task's own.

`found` is left out where nothing was found. A word that seems to say so is not read as that: what a short note meant is known to whoever
wrote it, and where a task has words for what makes a machine unfit, a wrong guess would clear it.
"""

from collections.abc import Collection

from fieldworthy.core.base.finding import nearest, or_list
from fieldworthy.core.base.names import key

_SEEMS_NOTHING = frozenset(
    (
        "nothing",
        "nothing found",
        "nothing was found",
        "none",
        "none found",
        "no",
        "no findings",
        "nil",
        "n/a",
        "ok",
        "okay",
        "all ok",
        "fine",
    )
)
_MOST_WORDS = 8


def no_word(what: str, sentence: str, task: str | None, words: Collection[str]) -> tuple[str, list[str]]:
    """The reason's text, and the nearest of the task's words. sentence: what was found, when and where."""
    if key(what).strip(".!- ") in _SEEMS_NOTHING or not any(map(str.isalnum, what)):
        text = (
            f"{sentence}, and {task} declares no such word: it is not read as that nothing was found, so whether the machine may work "
            f"with it is not known. If nothing was found, correct the record and leave `found` out; else say which of {_known(words)} it "
            f"was, or do {task} again."
        )
        return text, []
    near = nearest(what, words)
    known = f"did you mean {or_list(near)}?" if near else f"known are {_known(words)}"
    text = (
        f"{sentence}, and {task} declares no such word ({known}): whether the machine may work with it is not known. "
        f"Let a trained person look, then correct the word, or do {task} again; leave `found` out where nothing is found."
    )
    return text, list(near)


def _known(words: Collection[str]) -> str:
    return ", ".join(f"`{word}`" for word in list(words)[:_MOST_WORDS])
