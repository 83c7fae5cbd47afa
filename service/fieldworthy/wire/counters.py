"""Counters of a machine's bus, from a request that passed its shape to readings, or to why one is none."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.core.base.quantity import TICKS, Quantity
from fieldworthy.core.meter.counters import DDIS, SPNS, Counter, NoValue, raw_of, read_counter
from fieldworthy.wire.mistakes import MOST
from fieldworthy.wire.readings import moment


@dataclass(frozen=True, slots=True)
class Counted:
    """One counter that was read. at: microseconds since 1970; value: millionths of `unit`; None where it has none, and then why."""

    machine: str
    meter: str
    at: int
    called: str
    value: int | None
    unit: str | None
    why: NoValue | None


def read_counters(given: Mapping[str, Any]) -> list[Counted]:
    """The counters of a validated CountersIn, in order. Raises Refused with a finding for each that names none or does not fit it."""
    read: list[Counted] = []
    findings: list[Finding] = []
    for i, one in enumerate(given["readings"]):
        found = _read(one, i)
        if isinstance(found, Counted):
            read.append(found)
        else:
            findings.extend(found)
        if len(findings) >= MOST:
            break
    if findings:
        raise Refused(findings)
    return read


def _read(one: Mapping[str, Any], i: int) -> Counted | list[Finding]:
    wrong = list(_one_of(one, i, "spn", "ddi")) + list(_one_of(one, i, "raw", "bytes"))
    if wrong:
        return wrong
    kind = "spn" if "spn" in one else "ddi"
    counter = (SPNS if kind == "spn" else DDIS).get(one[kind])
    if counter is None:
        known = ", ".join(str(n) for n in (SPNS if kind == "spn" else DDIS))
        message = f"no counter with the {kind.upper()} {one[kind]} is known here"
        return [Finding("counter.unknown", message, f"known are {known}; or send its value to /v1/readings", path=_at(i, kind))]
    try:
        at = moment(one["at"], _at(i, "at"))
    except Refused as trouble:
        return list(trouble.findings)
    try:
        got = read_counter(counter, _raw(one, counter))
    except ValueError as trouble:
        member = "raw" if "raw" in one else "bytes"
        mend = f"send its {counter.bits // 8} bytes, the least significant first, or the number that they are"
        return [Finding("counter.out_of_range", f"this is no {counter.name}: {trouble}", mend, path=_at(i, member))]
    called = f"{kind} {counter.number}"
    if not isinstance(got, Quantity):
        return Counted(one["machine"], one["meter"], at, called, None, None, got)
    ticks = got.value * TICKS
    assert ticks.denominator == 1  # no step is finer than a thousandth
    return Counted(one["machine"], one["meter"], at, called, ticks.numerator, got.unit.name, None)


def _raw(one: Mapping[str, Any], counter: Counter) -> int:
    if "raw" in one:
        raw: int = one["raw"]
        return raw
    return raw_of(bytes.fromhex(one["bytes"]), counter)


def _one_of(one: Mapping[str, Any], i: int, *members: str) -> Iterator[Finding]:
    if sum(member in one for member in members) != 1:
        wanted = " and ".join(f"`{member}`" for member in members)
        yield Finding("request.one_of", f"exactly one of {wanted} is to be given", "give one of them", path=_at(i))


def _at(i: int, *member: str) -> str:
    return pointer("readings", i, *member)
