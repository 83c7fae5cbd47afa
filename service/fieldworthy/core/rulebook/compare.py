"""What differs between two versions of a rulebook: by meaning where a text has one (`every 80 h` and `each 80 hours` are the same)."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.quantity import Unit, find_unit
from fieldworthy.core.condition.explain import render as render_condition
from fieldworthy.core.interval.explain import render as render_interval
from fieldworthy.core.rulebook.digest import canonical
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from fieldworthy.core.rulebook.shapes import PART, TASK

_WHOLE = ("title", "language", "applies_to", "defaults", "options")
_NAMED = (
    "meters",
    "seasons",
    "occurrences",
    "working_conditions",
    "facts",
    "actions",
    "hazards",
    "happenings",
    "procedures",
    "settings",
    "measurements",
)


@dataclass(frozen=True, slots=True)
class MemberChange:
    """One member that differs; None where it is absent. An interval or condition is given in its canonical form."""

    member: str
    before: Any
    after: Any

    def to_json(self) -> dict[str, Any]:
        return {"member": self.member, "before": self.before, "after": self.after}


@dataclass(frozen=True, slots=True)
class EntryChange:
    """A task, part or declared name that both versions have, and what differs in it."""

    name: str
    members: tuple[MemberChange, ...]

    def to_json(self) -> dict[str, Any]:
        return {"name": self.name, "members": [m.to_json() for m in self.members]}


@dataclass(frozen=True, slots=True)
class Changes:
    """Names added (in the order of the newer version), removed (of the older), changed (of the newer)."""

    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    changed: tuple[EntryChange, ...] = ()

    @property
    def none(self) -> bool:
        return not (self.added or self.removed or self.changed)

    def to_json(self) -> dict[str, Any]:
        return {"added": list(self.added), "removed": list(self.removed), "changed": [c.to_json() for c in self.changed]}


@dataclass(frozen=True, slots=True)
class Comparison:
    """From an older version to a newer. declared: the other named members, only those that differ. members: the unnamed ones."""

    before: str
    after: str
    tasks: Changes
    parts: Changes
    declared: Mapping[str, Changes]
    members: tuple[MemberChange, ...]

    @property
    def same(self) -> bool:
        """Whether nothing differs in meaning (the digests may: a comment is no difference, another spelling is one to them)."""
        return self.tasks.none and self.parts.none and not self.declared and not self.members

    def tasks_with(self, member: str) -> tuple[str, ...]:
        """The tasks of which this member differs ("interval", "needs")."""
        return tuple(t.name for t in self.tasks.changed if any(m.member == member for m in t.members))

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "before": self.before,
            "after": self.after,
            "same": self.same,
            "tasks": self.tasks.to_json(),
            "intervals": list(self.tasks_with("interval")),
            "needs": list(self.tasks_with("needs")),
            "holds": list(self.tasks_with("holds")),
            "parts": self.parts.to_json(),
            "declared": {name: changes.to_json() for name, changes in self.declared.items()},
            "members": [m.to_json() for m in self.members],
        }


def compare(before: CheckedRulebook, after: CheckedRulebook) -> Comparison:
    """What changed from `before` to `after`."""
    old, new = before.document, after.document
    declared = {}
    for name in _NAMED:
        changes = _entries(_by_key(old.get(name)), _by_key(new.get(name)), _whole_entry)
        if not changes.none:
            declared[name] = changes
    return Comparison(
        before.digest,
        after.digest,
        _entries({n: (n, t) for n, t in before.tasks.items()}, {n: (n, t) for n, t in after.tasks.items()}, _task_differ(old, new)),
        _entries(_by_key(old.get("parts")), _by_key(new.get("parts")), lambda a, b: _members(a, b, PART)),
        declared,
        _members({**old, "language": before.language}, {**new, "language": after.language}, _WHOLE),
    )


def own_units(document: Mapping[str, Any]) -> Mapping[str, tuple[str, Unit]]:
    """The meters of a checked rulebook's data by `names.key`: as each is declared, and its own unit, however that is spelt."""
    found: dict[str, tuple[str, Unit]] = {}
    for key, (name, entry) in _by_key(document.get("meters")).items():
        unit = find_unit(entry["unit"])
        assert unit is not None  # it was checked
        found[key] = (name, unit)
    return found


def _by_key(value: Any) -> dict[str, tuple[str, Any]]:
    return {names.key(name): (name, entry) for name, entry in value.items()} if isinstance(value, Mapping) else {}


def _entries(
    old: Mapping[str, tuple[str, Any]], new: Mapping[str, tuple[str, Any]], differ: Callable[[Any, Any], tuple[MemberChange, ...]]
) -> Changes:
    changed = []
    for key, (name, entry) in new.items():
        if key in old:
            members = differ(old[key][1], entry)
            if members:
                changed.append(EntryChange(name, members))
    return Changes(
        tuple(name for key, (name, _) in new.items() if key not in old),
        tuple(name for key, (name, _) in old.items() if key not in new),
        tuple(changed),
    )


def _whole_entry(old: Any, new: Any) -> tuple[MemberChange, ...]:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        return _members(old, new, list(dict.fromkeys([*new, *old])))
    return () if _alike(old, new) else (MemberChange("", old, new),)


def _members(old: Mapping[str, Any], new: Mapping[str, Any], members: Iterable[str]) -> tuple[MemberChange, ...]:
    return tuple(MemberChange(m, old.get(m), new.get(m)) for m in members if not _alike(old.get(m), new.get(m)))


def _alike(a: Any, b: Any) -> bool:
    return canonical(a) == canonical(b)


def _task_differ(old: Mapping[str, Any], new: Mapping[str, Any]) -> Callable[[Task, Task], tuple[MemberChange, ...]]:
    def differ(a: Task, b: Task) -> tuple[MemberChange, ...]:
        meant = {name: (_canonical_text(a, name), _canonical_text(b, name)) for name in ("interval", "needs", "holds", "leaves")}
        raw = _members(old["tasks"][a.name], new["tasks"][b.name], [m for m in TASK if m not in meant])
        return (*(MemberChange(name, x, y) for name, (x, y) in meant.items() if (x or "").casefold() != (y or "").casefold()), *raw)

    return differ


def _canonical_text(task: Task, member: str) -> str | None:
    if member == "interval":
        return None if task.interval is None else render_interval(task.interval)
    value = getattr(task, member)
    return None if value is None else render_condition(value)
