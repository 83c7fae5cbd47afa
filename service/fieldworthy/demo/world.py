"""The demo's data: four rulebooks as their authors wrote them, and what is known of the four machines that are kept by them."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

RULEBOOKS = {
    "plover-h7-combine": "combine.yaml",
    "plover-r5-baler": "baler.yaml",
    "plover-t2-lifter": "potato_harvester.yaml",
    "plover-s4-sprayer": "sprayer.yaml",
}
"""Rulebook -> its file beside this module."""

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class World:
    """
    texts:      rulebook -> its YAML text.
    now:        the moment that everything is asked about, RFC 3339.
    machines:   each `{"rulebook", "machine"}`, the machine as in a request of `POST /v1/due`.
    clearances: requests of `POST /v1/clearance` without `now`, each with a `name` in words.
    parts:      requests of `POST /v1/parts` without `on` and `tasks`: the tasks are those that turn out to be due.
    """

    contractor: str
    make: str
    now: str
    texts: Mapping[str, str]
    machines: Sequence[Json]
    clearances: Sequence[Json]
    parts: Sequence[Json]

    def due_requests(self) -> list[dict[str, Any]]:
        """What is due on each machine: requests of `POST /v1/due`."""
        return [{"rulebook": one["rulebook"], "now": self.now, "machine": one["machine"]} for one in self.machines]

    def clearance_requests(self) -> list[tuple[str, dict[str, Any]]]:
        """In words what is asked, and the request of `POST /v1/clearance`."""
        return [(one["name"], {**{k: v for k, v in one.items() if k != "name"}, "now": self.now}) for one in self.clearances]

    def parts_requests(self, due: Sequence[Json]) -> list[dict[str, Any]]:
        """What to take along for what is due or overdue. due: the answers to `due_requests`; a machine with nothing to do is left out."""
        to_do = {a["machine"]: [t["task"] for t in a["tasks"] if t["standing"] in ("due", "overdue")] for a in due}
        return [
            {**one, "on": self.now[:10], "tasks": [{"task": task, "times": 1} for task in to_do[one["machine"]["id"]]]}
            for one in self.parts
            if to_do.get(one["machine"]["id"])
        ]


def load() -> World:
    """The demo's world, read from the files beside this module."""
    here = files(__package__)
    data = json.loads((here / "world.json").read_text("utf-8"))
    return World(
        contractor=data["contractor"],
        make=data["make"],
        now=data["now"],
        texts={name: (here / file).read_text("utf-8") for name, file in RULEBOOKS.items()},
        machines=data["machines"],
        clearances=data["clearances"],
        parts=data["parts"],
    )
