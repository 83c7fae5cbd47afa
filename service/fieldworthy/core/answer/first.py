"""What has to be done first: the way from what is known to where what is asked for may start, in words; or why none is given.

It is given only where every fact is known that the needs, the holds, the hazards and the open work name. It is a plan and no evidence.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.asked import Asked
from fieldworthy.core.answer.evidence import said
from fieldworthy.core.answer.others import Holding, PutOn, takes_off
from fieldworthy.core.base.finding import or_list
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, Not, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.bits import Move, Workings, always, made_ready
from fieldworthy.core.procedure.model import RANK, Action, Hazard
from fieldworthy.core.procedure.persons import Person
from fieldworthy.core.procedure.way import MOST_TRIES, Demand, Held, Locked, NoWay, Wanted, find_way
from fieldworthy.core.rulebook.model import CheckedRulebook

_MOST_FOR_ONE = MOST_TRIES // 20  # to look at what is asked for alone


@dataclass(frozen=True, slots=True)
class FirstAction:
    """An action on the way. makes: canonical text. cautions: of every hazard that names a fact which it needs or makes, by rank."""

    action: Action
    makes: str
    cautions: tuple[Hazard, ...]

    def to_json(self) -> dict[str, Any]:
        """The wire form."""
        return {
            "action": self.action.name,
            "needs": None if self.action.needs is None else render(self.action.needs),
            "makes": self.makes,
            "confirm": None if self.action.confirm is None else render(self.action.confirm),
            "cautions": [{"signal": h.signal, "hazard": h.name, "avoid": h.avoid} for h in self.cautions],
        }


@dataclass(frozen=True, slots=True)
class Place:
    """
    A person not at rest. at: of which facts (names.key), and where, None where not known. asks: it is who asks (None: it may be). own: all
    that is known of them; None: it is as all reports add up to.
    """

    at: Mapping[str, Value]
    asks: bool | None = False
    own: Mapping[str, Value] | None = None


@dataclass(frozen=True, slots=True)
class Situation:
    """
    What a way is sought from. values: what is known; after: the same once what is asked for is done. hazards: those that share a fact
    with it. holding: open work; apart: of it, what can't be open together with what is asked for. locks: in other hands than the asker's.
    own: what the asker's own work holds until what is asked for begins; no action on the way breaks it. persons: who is not at rest.
    """

    book: CheckedRulebook
    asked: Asked
    values: Mapping[str, Value]
    after: Mapping[str, Value]
    hazards: Sequence[Hazard]
    holding: Sequence[Holding]
    apart: Sequence[Holding]
    locks: Sequence[PutOn]
    own: Condition | None = None
    persons: Sequence[Place] = ()

    @property
    def facts(self) -> Mapping[str, Fact]:
        return self.book.vocabulary.facts


@dataclass(frozen=True, slots=True)
class First:
    """actions: the way, () for none. reason: what it is, or why there is none. missing: facts to be found out first (names.key)."""

    actions: tuple[FirstAction, ...]
    reason: Reason
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Demanded:
    """One condition of what is asked for; after: once it is done."""

    condition: Condition
    after: bool
    hazard: int | None = None


def do_first(of: Situation) -> First:
    """The way from here, or why none is given. INVARIANT: what is asked for is withheld in this state."""
    named = [c for _, c in (*of.asked.needs, *of.asked.holds)] + [h.never for h in of.hazards] + [h.holds for h in of.holding]
    named += [] if of.own is None else [of.own]
    taken_off = [key(lock.fact) for lock in of.locks if takes_off(of.asked.makes, lock)]
    unknown = _not_known((*(name for c in named for name in names_of(c)), *taken_off), of)
    if of.apart:
        return _apart(of.apart[0])
    ready = workings(of.book)
    demanded = _demanded(of, ready)
    wanted = _wanted(of, ready, demanded)
    found = NoWay("order") if unknown else find_way(ready, wanted)
    if found == ():  # by what all reports add up to nothing stands against it: of somebody alone it does
        text = "What stands against it is so of one person: send who asks (`by`), and with each report who reports it."
        return First((), _none(text, "order"))
    if not isinstance(found, NoWay):
        return needs_evidence((), of) if of.asked.not_said else _way(found, of, _ends_it(of, ready, wanted))
    if len(of.values) < len(of.facts) and found.why != "bound":  # is there none, or none that is known?
        might = find_way(ready, wanted, sure=False)
        if not isinstance(might, NoWay):  # INVARIANT: the last of these is not empty, else both searches would have gone one way
            unknown = unknown or _not_known(_hung_on(might, ready, of), of) or _not_known(of.facts, of)
        if unknown and (not isinstance(might, NoWay) or might.why == "bound"):
            return needs_evidence(unknown, of)
        found = might if isinstance(might, NoWay) else found
    if found.why == "hazard" and found.at is None and _ends_it(of, ready, wanted):
        text = _itself(of, "the way out: nothing has to be done first")
        return First((), _none(text, "hazard", hazard=ready.dangers[found.which].hazard.name, action=None))
    return First((), _why_none(found, demanded, of))


def workings(book: CheckedRulebook) -> Workings:
    """A rulebook's actions, happenings and hazards, made ready once."""
    if not book.workings:
        book.workings.append(made_ready(book.works, book.vocabulary.facts))
    return book.workings[0]


# --- what is sought ----------------------------------------------------------------------------------------------------------


def _demanded(of: Situation, ready: Workings) -> list[_Demanded]:
    """Needs now, holds once it is done, and each hazard absent, now and then."""
    numbers = {danger.hazard.name: n for n, danger in enumerate(ready.dangers)}
    demanded = [_Demanded(c, False) for _, c in of.asked.needs] + [_Demanded(c, True) for _, c in of.asked.holds]
    for hazard in of.hazards:
        absent = Not(hazard.never)
        demanded += [_Demanded(absent, after, numbers[hazard.name]) for after in ((False, True) if of.asked.makes else (False,))]
    return demanded


def _wanted(of: Situation, ready: Workings, demanded: Iterable[_Demanded]) -> Wanted:
    bits, values = ready.bits, of.values
    writes, brings = bits.makes(of.asked.makes)
    return Wanted(
        start=bits.state(values),
        asked=Move("", always, always, ~writes, brings, 0, writes),
        demands=tuple(
            Demand(bits.surely(d.condition, values), bits.perhaps(d.condition, values), bits.of(d.condition), d.after, d.hazard)
            for d in demanded
        ),
        works=tuple(_held(h.holds, of, ready) for h in of.holding)
        + (() if of.own is None else (replace(_held(of.own, of, ready), ends=True),)),
        locks=tuple(Locked(bits.mask((key(each.fact),)), bits.bit(key(each.fact), key(each.state))) for each in of.locks),
        persons=tuple(
            Person(bits.state({**values, **p.at} if p.own is None else p.own) & ready.persons, bits.mask(p.at), p.asks) for p in of.persons
        ),
    )


def _held(holds: Condition, of: Situation, ready: Workings) -> Held:
    return Held(ready.bits.of(holds), ready.bits.surely(holds, of.values), ready.bits.perhaps(holds, of.values))


def _not_known(names: Iterable[str], of: Situation) -> tuple[str, ...]:
    return tuple(name for name in dict.fromkeys(names) if of.values.get(name) is None)


def _hung_on(way: Sequence[Move], ready: Workings, of: Situation) -> Iterable[str]:
    """The facts that decide whether these actions may be done: of their needs, locks, hazards near them, of what may happen then."""
    for move in way:
        yield from names_of(needs) if (needs := of.book.works.actions[key(move.name)].needs) is not None else ()
        yield from (key(lock.fact) for lock in of.locks if ready.bits.mask((key(lock.fact),)) & move.writes)
        for danger in ready.dangers:
            yield from names_of(danger.hazard.never) if danger.reads & move.reach else ()
        for happening in of.book.works.happenings.values():
            if happening.needs is not None and ready.bits.mask(happening.makes) & move.reach:
                yield from names_of(happening.needs)


def _ends_it(of: Situation, ready: Workings, wanted: Wanted) -> bool:
    """Whether what is asked for could be done here but for hazards that are there already, and is safe for everybody once it is done."""
    if not of.asked.makes or any(evaluate(c, of.values) is not Truth.YES for _, c in of.asked.needs):
        return False
    absent = [replace(demand, after=True) for demand in wanted.demands if demand.hazard is not None]
    others = [demand for demand in wanted.demands if demand.hazard is None]
    return find_way(ready, replace(wanted, demands=(*others, *absent)), most=_MOST_FOR_ONE) == ()


# --- in words ----------------------------------------------------------------------------------------------------------------


def _way(moves: Sequence[Move], of: Situation, itself: bool) -> First:
    """In words. itself: whether what is asked for is a way out, too."""
    actions = [of.book.works.actions[key(move.name)] for move in moves]
    names = [f"`{action.name}`" for action in actions]
    after = "it" if len(names) == 1 else "each"
    text = f"Do first {', then '.join(names)}. This is a plan and no evidence: report the facts anew after {after}, and ask again."
    if itself and len(actions) == 1 and actions[0].makes == of.asked.makes:
        text = _itself(of, "the way out: nothing has to be done first")
    elif itself:
        text += " " + _itself(of, "a way out as well")
    each = [f"`{action.name}`" for action in actions if any(_put_back(name, state, of) for name, state in action.makes.items())]
    if each:  # the plan knows one value for all, of whom several may be meant
        text += f" {' and '.join(each)}: each person of whom it was reported otherwise."
    return First(
        tuple(FirstAction(action, _made(action, of), _cautions(action, of.book)) for action in actions),
        Reason("way-to-safe", text, {"actions": [action.name for action in actions]}),
    )


def _itself(of: Situation, words: str) -> str:
    """Where what is asked for is withheld only for what it ends: nobody is told to do it in order to be allowed to do it."""
    it = of.asked.subject[:1].upper() + of.asked.subject[1:]
    clear = "It is not cleared all the same, for until it is done that can harm: go by the machine's handbook, and report the facts anew."
    return f"{it} is itself {words}, and what stands against it ends with it. {clear}"


def _put_back(name: str, state: str, of: Situation) -> bool:
    """Whether it brings a fact that each person has of their own to rest."""
    fact = of.facts[name]
    return fact.per_person and fact.states[0] == state


def _made(action: Action, of: Situation) -> str:
    return " and ".join(render(StateTest(of.facts[name].name, state)) for name, state in action.makes.items())


def _cautions(action: Action, book: CheckedRulebook) -> tuple[Hazard, ...]:
    touched = {*action.makes, *(names_of(action.needs) if action.needs is not None else ())}
    near = [h for h in book.works.hazards.values() if touched & set(names_of(h.never))]
    return tuple(sorted(near, key=lambda h: -RANK[h.signal]))


def needs_evidence(unknown: tuple[str, ...], of: Situation) -> First:
    """No way is given before these facts (names.key) are known."""
    names = [of.facts[name].name for name in unknown] + [missing.fact for missing in of.asked.not_said]
    are = "is" if len(names) == 1 else "are"
    text = f"What to do first is told once {or_list(names).replace(' or ', ' and ')} {are} known."
    return First((), Reason("way-needs-evidence", text, {"facts": names}), unknown)


def _none(text: str, why: str, **values: Any) -> Reason:
    return Reason("no-way-to-safe", text, {"why": why, **values})


def _apart(holding: Holding) -> First:
    text = f"Nothing that could be done first helps: {holding.whose} has to be closed before."
    return First((), _none(text, "work", work=holding.work.work, by=holding.work.who))


def _why_none(found: NoWay, demanded: Sequence[_Demanded], of: Situation) -> Reason:
    at = "" if found.at is None else f", first at `{found.at}`"
    match found.why:
        case "state":
            return _unreachable(found, demanded[found.which], of)
        case "hazard":
            hazard = workings(of.book).dangers[found.which].hazard
            never = render(hazard.never)
            now = evaluate(hazard.never, of.values) is Truth.YES
            there = "is so now, and no action may come before it is ended" if now else "can't be excluded there"
            text = f"Every way is barred by hazard `{hazard.name}`{at}: `{never}` {there}."
            return _none(text, "hazard", hazard=hazard.name, action=found.at)
        case "work" if found.which == len(of.holding):  # what is one's own comes last
            holds = "" if of.own is None else render(of.own)
            text = f"Every way is barred by the work itself{at}: what is open of it holds `{holds}`."
            return _none(text, "work", work=None, by=None, action=found.at)
        case "work":
            each = of.holding[found.which]
            text = f"Every way is barred by open work {each.whose}{at}: it holds `{render(each.holds)}`."
            return _none(text, "work", work=each.work.work, by=each.work.who, action=found.at)
        case "lock":
            lock = of.locks[found.which]
            fact = of.facts[key(lock.fact)]
            text = f"Every way is barred{at}: `{fact.name}` stays `{said(fact, key(lock.state))}` in the hands of `{lock.who}`."
            return _none(text, "lock", fact=fact.name, by=lock.who, action=found.at)
        case "order":
            return _none("No order of the declared actions leads to where it may start.", "order")
        case "bound":
            text = f"No way was found in {MOST_TRIES:,} tries of an action, and the search ended there: there may be one."
            return _none(text, "bound", tries=MOST_TRIES)


def _unreachable(found: NoWay, demanded: _Demanded, of: Situation) -> Reason:
    """Which state no action brings about."""
    values, fixed = (of.after, frozenset(of.asked.makes)) if demanded.after else (of.values, frozenset[str]())
    bits = workings(of.book).bits
    for change in shortfall(demanded.condition, values, fixed).changes:
        fact = of.facts[change.fact]
        if fact.is_number:
            text = f"`{fact.name}` must be {change.must_be}, and no action makes a number: wait until it is, and report it anew."
            return _none(text, "state", fact=fact.name, state=change.must_be)
        fits = [s for s in fact.states if _fits(s, change.must_be)]
        if change.fact not in fixed and fits and not any(bits.bit(change.fact, key(s)) & found.reachable for s in fits):
            return _unmade(fact, fits, of)
    condition = render(demanded.condition)
    text = f"Whatever is done first, `{condition}` is not so" + (" once it is done." if demanded.after else ".")
    return _none(text, "state", condition=condition)


def _unmade(fact: Fact, fits: Sequence[str], of: Situation) -> Reason:
    """No action that can be done from here makes the fact one of these states."""
    makes = [a.name for a in of.book.works.actions.values() if a.makes.get(key(fact.name)) in fits]
    alone = [h.name for h in of.book.works.happenings.values() if h.makes.get(key(fact.name)) in fits]
    state = or_list(fits)
    text = f"No action makes `{fact.name}` {state}."
    if makes:
        text = f"Only {or_list(makes)} makes `{fact.name}` {state}, and can't be done from here, whatever is done before."
    if alone:
        text += f" It may come about by itself ({or_list(alone)}): wait, and report it anew."
    return _none(text, "state", fact=fact.name, state=" or ".join(fits))


def _fits(state: str, must_be: str) -> bool:
    """Whether a state is what `shortfall` says that a fact must be: `closed`, `not raised`, several joined by `and`."""
    return all((key(state) != key(must[4:])) if must.startswith("not ") else key(state) == key(must) for must in must_be.split(" and "))
