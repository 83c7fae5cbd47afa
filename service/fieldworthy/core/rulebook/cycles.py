"""Loops among names that lead to each other, and all that a name leads to. No recursion, whatever the length."""

from collections.abc import Iterable, Mapping, Sequence


def loops(edges: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """One loop for each name that a walk comes back to, as the names on it in order; none: there is no loop."""
    done: set[str] = set()
    found: dict[str, list[str]] = {}
    for start in edges:
        if start in done:
            continue
        trail, on_trail, todo = [start], {start}, [iter(edges[start])]
        while todo:
            after = next(todo[-1], None)
            if after is None:
                todo.pop()
                left = trail.pop()
                on_trail.discard(left)
                done.add(left)
            elif after in on_trail:
                found.setdefault(after, trail[trail.index(after) :])
            elif after not in done and after in edges:
                trail.append(after)
                on_trail.add(after)
                todo.append(iter(edges[after]))
    return list(found.values())


def reached(start: str, edges: Mapping[str, Sequence[str]]) -> Iterable[str]:
    """Every name that `start` leads to, directly or by others, the nearest first."""
    seen: dict[str, None] = {}
    front: list[str] = list(edges.get(start, ()))
    for name in front:
        if name not in seen and name != start:
            seen[name] = None
            front += edges.get(name, ())
    return seen
