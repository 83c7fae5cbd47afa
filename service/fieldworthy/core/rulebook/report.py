"""Collects the findings of one check, each with its place in the document, and the expressions that are still to be checked for meaning."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from fieldworthy.core.base.finding import MOST_ERRORS, Finding, Severity
from fieldworthy.core.base.span import line_and_column
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.parse import MAX_TEXT
from fieldworthy.core.condition.parse import parse as parse_condition
from fieldworthy.core.rulebook.document import Document, value_at

T = TypeVar("T")

MOST_WARNINGS = 3_000
"""More than one for each task that a rulebook may have."""

MOST_EXPRESSIONS = 200_000
"""Characters of all expressions of a rulebook: reading and checking them is what the time of a check goes to."""


class TooManyErrors(Exception):
    """So much is wrong that the rest of the check is not worth its time; the errors so far are in the report."""


Piece = tuple[int, str]
"""Where a text begins in the text that was checked, and its path: a list of rules is checked as one text."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A condition over facts as it stands in the document. start: where it begins in the value at `path`."""

    path: str
    condition: Condition
    start: int = 0


@dataclass(slots=True)
class Report:
    """
    document:   the text that the data came from; None where they came without one. data: the plain data themselves.
    findings:   so far, in the order in which they were met.
    conditions: every condition over facts that could be read, to be checked once all facts are known.
    made:       what actions and happenings make, as they are written: checked already.
    broken:     `names.key` of facts and working conditions that are declared but could not be understood: nothing is said of
                what leans on them, because mending the declaration comes first.
    expressions: characters of all intervals, conditions and allowances so far. unread: the path of the first one that was not read,
                because it passes MOST_EXPRESSIONS.
    """

    document: Document | None = None
    data: Any = None
    findings: list[Finding] = field(default_factory=list)
    conditions: list[Placed] = field(default_factory=list)
    made: list[Condition] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    unclear_meters: bool = False
    expressions: int = 0
    unread: str | None = None
    error_count: int = 0
    warning_count: int = 0

    def error(self, code: str, path: str, message: str, mend: str, *, at_key: bool = False) -> None:
        """An error at a value, or (at_key) at the name of a member."""
        line, column = self._place(path, at_key)
        self._note(Finding(f"rulebook.{code}", message, mend, path=path, line=line, column=column))

    def warn(self, code: str, path: str, message: str, mend: str, *, at_key: bool = False) -> None:
        """The same for what is only suspected."""
        line, column = self._place(path, at_key)
        self._note(Finding(f"rulebook.{code}", message, mend, Severity.WARNING, path=path, line=line, column=column))

    def add(self, finding: Finding) -> None:
        """A finding of another room, whose path is one of this document."""
        if finding.line is None:
            line, column = self._place(finding.path, False)
            finding = replace(finding, line=line, column=column)
        self._note(finding)

    def in_text(self, finding: Finding, pieces: Sequence[Piece]) -> None:
        """A finding inside a text: its span becomes a line and column, and it is told when YAML ended the text early."""
        start, path = pieces[0]
        if finding.span is not None:
            for start_of_piece, path_of_piece in pieces:
                if start_of_piece <= finding.span.start:
                    start, path = start_of_piece, path_of_piece
        if self.document is None:
            text = value_at(self.data, path)
            if finding.span is not None and isinstance(text, str):  # without a document's text: the place inside the expression
                line, column = line_and_column(text, finding.span.start - start)
                finding = replace(finding, line=line, column=column)
            self._note(replace(finding, path=path))
            return
        offset = None if finding.span is None else max(0, finding.span.start - start)
        line, column = self.document.place(path, offset)
        mend = finding.mend
        if finding.code.endswith(".syntax"):
            early = self._ended_early(path, None if finding.span is None else finding.span.end - start)
            mend = f"{early}; otherwise {mend}" if early else mend
        self._note(replace(finding, path=path, line=line, column=column, mend=mend))

    def condition(self, text: str, path: str, start: int = 0) -> Condition | None:
        """A condition over facts read; a mistake in its form is a finding. start: where `text` begins in the value at `path`."""
        if not self._has_room(text, path):
            return None
        found = parse_condition(text)
        if isinstance(found, Finding):
            self.in_text(found, [(-start, path)])
            return None
        self._suspect_comment(path)
        self.conditions.append(Placed(path, found, start))
        return found

    def read(self, text: str, pieces: Sequence[Piece], parse: Callable[[str], T | Finding]) -> T | None:
        """A text of another language read; a mistake in its form is a finding."""
        if not self._has_room(text, pieces[0][1]):
            return None
        found = parse(text)
        if isinstance(found, Finding):
            self.in_text(found, pieces)
            return None
        for _, path in pieces:
            self._suspect_comment(path)
        return found

    def _has_room(self, text: str, path: str) -> bool:
        """Counts an expression, and tells whether it is read. One that is too long by itself costs nothing: it is refused unread."""
        if len(text) <= MAX_TEXT:
            self.expressions += len(text)
            if self.expressions > MOST_EXPRESSIONS and self.unread is None:
                self.unread = path
        return self.unread is None

    def errors(self) -> bool:
        return self.error_count > 0

    def _note(self, finding: Finding) -> None:
        """Keeps a finding. Raises TooManyErrors at the last error that is told."""
        if finding.severity is Severity.WARNING:
            self.warning_count += 1
            if self.warning_count > MOST_WARNINGS:
                return
            if self.warning_count == MOST_WARNINGS:
                message, mend = f"there are more than {MOST_WARNINGS - 1:,} warnings; the rest are left out", "mend these first"
                finding = replace(finding, code="rulebook.more_warnings", message=message, mend=mend)
        self.findings.append(finding)
        if finding.severity is Severity.ERROR:
            self.error_count += 1
            if self.error_count == MOST_ERRORS:
                message, mend = f"there may be more than these {MOST_ERRORS} errors; the check ends here", "mend these, then check again"
                self.findings.append(Finding("rulebook.more_errors", message, mend, line=finding.line, column=finding.column))
                raise TooManyErrors

    def in_order(self) -> list[Finding]:
        """All findings in the order of the document (of their discovery, where there is no text)."""
        return sorted(self.findings, key=lambda f: (f.line or 0, f.column or 0))

    def _place(self, path: str, at_key: bool) -> tuple[int, int] | tuple[None, None]:
        if self.document is None:
            return None, None
        return self.document.key_place(path) if at_key else self.document.place(path)

    def _ended_early(self, path: str, until: int | None) -> str | None:
        """What to do where YAML's own punctuation probably ended the text at `path`, in which a mistake reaches up to `until`."""
        assert self.document is not None  # INVARIANT: asked only where there is a text
        comment = self.document.comment_after(path)
        value = value_at(self.document.data, path)
        at_end = until is None or not isinstance(value, str) or until >= len(value.rstrip())
        if comment is not None and at_end:
            return f"if `{comment[:40]}` belongs to the text, put the whole text in quotes: ` #` ended it"
        in_list = path.rpartition("/")[2].isdecimal()
        if self.document.is_flow_plain(path) and (at_end or in_list):
            return "if the text goes on after this, put the whole text in quotes: inside `{…}` and `[…]` a comma ends it"
        return None

    def _suspect_comment(self, path: str) -> None:
        """A comment that touches its `#` looks like a piece of the text."""
        comment = None if self.document is None else self.document.comment_after(path)
        if comment is not None and len(comment) > 1 and comment[1].isalnum():
            self.warn(
                "text_ended_early",
                path,
                f"`{comment[:40]}` is read as a comment, not as part of the text",
                "put the whole text in quotes, or write a blank after the `#`",
            )
