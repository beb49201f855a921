"""What the planner remembers between events, as JSON in the same transaction as the messages it led to."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any

_VERSION = 1


@dataclass(slots=True)
class Known:
    """One alarm people were told of. level: how far up the ladder; told, reminded, stepped: UTC seconds."""

    told: int
    reminded: int
    stepped: int
    level: int = 0
    people: list[str] = field(default_factory=list)
    group: str | None = None
    urgent: bool = False


@dataclass(slots=True)
class Group:
    """Alarms of one kind that began near each other. `members` are `[name, since, event, alarm]`, in order."""

    id: str
    opened: int
    last: int
    members: list[list[Any]] = field(default_factory=list)
    over_from: int = 0


@dataclass(slots=True)
class Budget:
    """Messages to one person on one local day; `last` is what was counted last."""

    day: str
    count: int = 0
    last: str = ""
    reported: bool = False


@dataclass(slots=True)
class Memory:
    """All of it. confirmed: way to a person -> when a test over it was last confirmed, UTC seconds."""

    alarms: dict[str, Known] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    budgets: dict[str, Budget] = field(default_factory=dict)
    away_until: int | None = None
    done: dict[str, str] = field(default_factory=dict)
    confirmed: dict[str, int] = field(default_factory=dict)
    paths_from: int | None = None

    def told_together(self, key: str, by: int) -> set[str]:
        """Return the alarms of a group that had been told by then, UTC seconds."""
        return {name for name, known in self.alarms.items() if known.group == key and known.told <= by}

    def dump(self) -> str:
        """Return it as JSON."""
        return json.dumps({"version": _VERSION, **asdict(self)}, separators=(",", ":"), sort_keys=True)

    @classmethod
    def load(cls, text: str | None) -> Memory:
        """Return what `dump` gave. Of another version, or nothing: an empty memory, which tells once too often rather than never."""
        if text is None:
            return cls()
        data = json.loads(text)
        if data.get("version") != _VERSION:
            return cls()
        return cls(
            alarms={name: Known(**known) for name, known in data["alarms"].items()},
            groups={name: Group(**group) for name, group in data["groups"].items()},
            budgets={name: Budget(**budget) for name, budget in data["budgets"].items()},
            away_until=data["away_until"],
            done=dict(data["done"]),
            confirmed=dict(data["confirmed"]),
            paths_from=data["paths_from"],
        )
