"""Reads the members of one mapping, with a finding for each that is unknown, missing or of the wrong type."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.finding import did_you_mean, pointer
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import MAX_NAME, MAX_TEXT


def type_words(value: Any) -> str:
    """What a JSON value is, in the author's words."""
    match value:
        case None:
            return "nothing"
        case bool():
            return f"`{str(value).lower()}`"
        case int() | float():
            return f"the number `{value}`"
        case str():
            return "a text"
        case list():
            return "a list"
        case _:
            return "a mapping"


def wrong_type(report: Report, path: str, name: str, wanted: str, value: Any) -> None:
    """A finding for a value of the wrong type; says so where the text's own punctuation made it one."""
    if wanted.startswith("a text") and isinstance(value, (dict, list)) and value and report.document is not None:
        mark = "`: ` made a mapping" if isinstance(value, dict) else "`[`, `]` or `- ` made a list"
        mend = f"if this is one text, put it in quotes: its {mark} of it"
    elif wanted.startswith("a text") and isinstance(value, (bool, int, float)):
        mend = "put it in quotes"
    elif value is None:
        mend = f"write {wanted}, or leave `{name}` out"
    else:
        mend = f"write {wanted}"
    report.error("wrong_type", path, f"`{name}` must be {wanted}, not {type_words(value)}", mend)


def unknown_member(report: Report, path: str, member: str, what: str, known: Sequence[str]) -> None:
    """A finding for a member that its mapping does not have."""
    document = report.document
    if document is not None and document.is_left_empty(path) and document.spots[path].flow:
        mend = "a comma ended the text before it: put that text in quotes"
    else:
        mend = did_you_mean(member, known, f"members of {what} are {', '.join(f'`{k}`' for k in known)}" if len(known) > 8 else "delete it")
    report.error("unknown_member", path, f"`{member[:MAX_NAME]}` is no member of {what}", mend, at_key=True)


class Fields:
    """
    One mapping of a document.

    what: its name in a sentence ("a task", "the task `chain-oil`"). Every reader gives None (or nothing) for a member that is absent
    or was refused.
    """

    def __init__(self, report: Report, data: Mapping[str, Any], path: str, what: str, known: Sequence[str]) -> None:
        self.report, self.data, self.path, self.what = report, data, path, what
        for member in data:
            if member not in known:
                unknown_member(report, self.at(member), member, what, known)

    def at(self, name: str) -> str:
        """JSON Pointer of a member."""
        return self.path + pointer(name)

    def has(self, name: str) -> bool:
        return name in self.data

    def get(self, name: str) -> Any:
        return self.data.get(name)

    def missing(self, name: str, example: str) -> None:
        """A finding for a member that must be there."""
        self.report.error("missing", self.path, f"{self.what} has no `{name}`", f"add `{name}: {example}`", at_key=True)

    def wrong(self, name: str, wanted: str) -> None:
        wrong_type(self.report, self.at(name), name, wanted, self.data[name])

    def text(self, name: str, must: str | None = None, most: int = MAX_TEXT) -> str | None:
        """A text that is not blank, at most `most` characters; must: an example, where it must be there."""
        if name not in self.data:
            if must is not None:
                self.missing(name, must)
            return None
        value = self.data[name]
        if not isinstance(value, str):
            self.wrong(name, "a text")
        elif not value.strip():
            self.report.error("blank", self.at(name), f"`{name}` is blank", "write the text, or leave the member out")
        elif len(value) > most:
            self.report.error("too_long", self.at(name), f"`{name}` has {len(value):,} characters, more than {most:,}", "shorten it")
        else:
            return value
        return None

    def listed(self, name: str) -> list[tuple[str, Any]]:
        """The items of a list with their paths; () where absent."""
        if name not in self.data:
            return []
        value = self.data[name]
        if not isinstance(value, list):
            self.wrong(name, "a list")
            return []
        return [(f"{self.at(name)}/{number}", item) for number, item in enumerate(value)]

    def texts(self, name: str, most: int = MAX_NAME) -> list[tuple[str, str]]:
        """A list of texts with their paths."""
        found = []
        for path, item in self.listed(name):
            if not isinstance(item, str):
                wrong_type(self.report, path, name, "a text", item)
            elif not item.strip() or len(item) > most:
                self.report.error(
                    "too_long" if item.strip() else "blank", path, f"an entry of `{name}` must have 1 to {most} characters", "write it so"
                )
            else:
                found.append((path, item))
        return found

    def choice(self, name: str, choices: Sequence[str], must: bool = False) -> Any:
        """One of a few words."""
        if name not in self.data:
            if must:
                self.missing(name, choices[0])
            return None
        value = self.data[name]
        if not isinstance(value, str):
            self.wrong(name, "a text")
        elif value not in choices:
            self.report.error(
                "unknown_word",
                self.at(name),
                f"`{value[:MAX_NAME]}` is no `{name}`",
                did_you_mean(value, choices, "write one of its words"),
            )
        else:
            return value
        return None

    def flag(self, name: str) -> bool:
        """true or false; false where absent."""
        value = self.data.get(name, False)
        if not isinstance(value, bool):
            self.wrong(name, "`true` or `false`")
            return False
        return value

    def whole(self, name: str, most: int) -> int | None:
        """A whole number from 0 to `most`."""
        if name not in self.data:
            return None
        value = self.data[name]
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            self.wrong(name, f"a whole number from 0 to {most:,}")
            return None
        return value

    def mapping(self, name: str, example: str = "{…}") -> Mapping[str, Any]:
        """A mapping; an empty one where absent."""
        if name not in self.data:
            return {}
        value = self.data[name]
        if not isinstance(value, dict):
            self.wrong(name, f"a mapping, `{example}`" if example != "{…}" else "a mapping")
            return {}
        return value

    def declared(self, name: str, what: str, *, free: bool = False, in_conditions: bool = False) -> Iterator[tuple[str, str, Any, str]]:
        """
        The names that a member declares: (tidy name, its key, value, path), each name once.

        free: any text will do. in_conditions: it must hold no word of the condition language.
        """
        seen: dict[str, str] = {}
        for raw, value in self.mapping(name).items():
            path = f"{self.at(name)}{pointer(raw)}"
            tidy = check_name(self.report, path, raw, what, free=free, in_conditions=in_conditions, at_key=True)
            if names.key(tidy) in seen:
                self.report.error(
                    "duplicate_name",
                    path,
                    f"`{tidy}` and `{seen[names.key(tidy)]}` are the same name",
                    "rename one: case and blanks don't count",
                    at_key=True,
                )
                continue
            seen[names.key(tidy)] = tidy
            yield tidy, names.key(tidy), value, path


def check_name(
    report: Report, path: str, raw: str, what: str, *, free: bool = False, in_conditions: bool = False, at_key: bool = False
) -> str:
    """The name, tidied; a finding where its form is wrong (it counts as declared all the same)."""
    tidy = names.tidy(raw)
    if free:
        if not tidy or len(raw) > MAX_NAME:
            report.error(
                "name", path, f"the name of {what} must have 1 to {MAX_NAME} characters", "shorten it, or write one", at_key=at_key
            )
    elif len(raw) <= MAX_NAME and names.key_too_long(raw):
        long = f"the name `{tidy}` of {what} has {len(names.key(tidy))} characters where case does not count, more than {names.MOST_KEY}"
        report.error("name", path, long, "shorten it, or write it with other letters", at_key=at_key)
    elif not names.well_formed(raw):
        report.error(
            "name",
            path,
            f"`{tidy[:MAX_NAME]}` is no name for {what}",
            "a name is one to four words, each beginning with a letter, of at most 80 characters together",
            at_key=at_key,
        )
    elif in_conditions and not names.CONDITION_WORDS.isdisjoint(names.key(tidy).split()):
        word = next(w for w in names.key(tidy).split() if w in names.CONDITION_WORDS)
        report.error(
            "name", path, f"`{tidy}` holds the word `{word}` of the condition language", f"rename {what} without `{word}`", at_key=at_key
        )
    return tidy


def check_known(report: Report, path: str, raw: str, known: Mapping[str, str], what: str, where: str) -> str | None:
    """The declared name that `raw` means; a finding where there is none. known: `names.key` -> as declared."""
    found = known.get(names.key(raw))
    if found is None:
        mend = did_you_mean(raw, known.values(), f"declare it under `{where}`")
        report.error(f"unknown_{what.replace(' ', '_')}", path, f"no {what} is called `{names.tidy(raw)[:MAX_NAME]}`", mend)
    return found
