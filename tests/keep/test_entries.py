"""States of what was told: none is overwritten, and what stood at any moment can be read again."""

import pytest

from fieldworthy.usecases.kept import HOME, MACHINE, WITHDRAWN, Entry, next_known
from tests.keep.service import Service

pytestmark = pytest.mark.both_databases


async def test_each_state_stays_and_the_newest_stands(service: Service) -> None:
    async with service.store.keep(HOME) as kept:
        machine = await kept.machines.add("r5-17", await kept.moment(), "baler", "north")
    knowns = []
    for body in ('{"n": 1}', '{"n": 2}', WITHDRAWN):
        async with service.store.keep(HOME) as kept:
            locked = (await kept.machines.lock(["r5-17", "nobody"]))["r5-17"]
            known = await next_known(kept, [locked])
            await kept.entries.put(machine.key, [Entry("done", "a", known, 5, "grease", body)])
            await kept.machines.touch([locked], known)
        knowns.append(known)
    assert knowns == sorted(set(knowns))  # the clock stood still, and they grow all the same
    async with service.store.look(HOME) as kept:
        assert [e.body for e in await kept.entries.history(machine.key, "done", "a")] == ['{"n": 1}', '{"n": 2}', WITHDRAWN]
        stood = [[e.body for e in await kept.entries.of(machine.key, ["done"], at)] for at in (knowns[0] - 1, *knowns, None)]
        paged = [[e.body for e in await kept.entries.page(machine.key, "done", 5, as_of=at)] for at in (knowns[0] - 1, *knowns, None)]
    assert stood == paged == [[], ['{"n": 1}'], ['{"n": 2}'], [], []]


async def test_a_page_goes_on_where_the_one_before_ended(service: Service) -> None:
    async with service.store.keep(HOME) as kept:
        machine = await kept.machines.add("r5-17", await kept.moment(), "baler", None)
        known = await next_known(kept, [machine])
        told = [Entry("done", f"d{i}", known, i // 2, "grease" if i % 3 else "clean", "{}") for i in range(10)]
        await kept.entries.put(machine.key, told)
    async with service.store.look(HOME) as kept:
        seen: list[str] = []
        before = None
        while page := await kept.entries.page(machine.key, "done", 3, before):
            seen += [entry.id for entry in page]
            before = (page[-1].at, page[-1].id)
        assert seen == [f"d{i}" for i in reversed(range(10))]
        assert [e.id for e in await kept.entries.page(machine.key, "done", 9, about="clean")] == ["d9", "d6", "d3", "d0"]


async def test_states_are_read_a_page_at_a_time_and_entries_by_their_moments(service: Service) -> None:
    async with service.store.keep(HOME) as kept:
        machine = await kept.machines.add("r5-17", await kept.moment(), "baler", None)
        known = await next_known(kept, [machine])
        for n in range(4):
            await kept.entries.put(machine.key, [Entry("done", "a", known + n, n, "grease", f'{{"n": {n}}}')])
        others = [Entry("done", f"o{i}", known, i % 3, "clean", WITHDRAWN if i == 4 else "{}") for i in range(6)]
        await kept.entries.put(machine.key, [*others, Entry("found", "f", known, 1, "clean", "{}")])
    async with service.store.look(HOME) as kept:
        assert [e.known - known for e in await kept.entries.history(machine.key, "done", "a", limit=2)] == [0, 1]
        assert [e.known - known for e in await kept.entries.history(machine.key, "done", "a", known + 1, 5)] == [2, 3]
        assert [e.superseded for e in await kept.entries.history(machine.key, "done", "a")] == [known + 1, known + 2, known + 3, None]
        assert [e.id for e in await kept.entries.at_times(machine.key, "done", [1, 3, 1])] == ["o1", "a"]
        assert await kept.entries.at_times(machine.key, "done", []) == []


async def test_documents_that_name_another_rulebook(service: Service) -> None:
    """However the body is written, and whatever else in it is called so: none is left out that names another."""
    bodies = {
        '{"rulebook":"baler"}': False,
        '{"rulebook":"baler@3","site":"a \\"rulebook\\":\\"plain\\""}': False,
        '{"rulebook":"baler-2"}': True,
        '{"rulebook":"plain@3"}': True,
        '{"options":{"rulebook":"baler"},"rulebook":"plain"}': True,
        '{"rulebook":"plain","site":"\\u0000 \\"rulebook\\":\\"baler\\""}': True,
        '{"rulebook": "plain"}': True,
    }
    keys = {}
    async with service.store.keep(HOME) as kept:
        for n, body in enumerate(bodies):
            machine = await kept.machines.add(f"m-{n}", await kept.moment(), "baler", None)
            known = await next_known(kept, [machine])
            states = (body, '{"rulebook":"baler"}')
            for later, state in enumerate(states):
                await kept.entries.put(machine.key, [Entry(MACHINE, "", known + later, 0, "", state)])
            keys[body] = machine.key
        found = await kept.entries.documents_elsewhere([*keys.values(), 999], "baler")
    assert {key: [state.body for state in states] for key, states in found.items()} == {
        keys[body]: [body] for body, other in bodies.items() if other
    }


async def test_nothing_is_called_by_what_a_database_can_not_hold(service: Service) -> None:
    async with service.store.look(HOME) as kept:
        assert await kept.machines.find("a\0") is None
        assert await kept.machines.close_ids("a\0", 3) == []
        assert await kept.entries.newest(1, "done", ["a\0"]) == {}
        assert await kept.entries.history(1, "done", "a\0") == []
    async with service.store.keep(HOME) as kept:
        assert await kept.machines.lock(["a\0"]) == {}
