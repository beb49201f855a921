"""What the planner remembers between events, as JSON in the same transaction as the messages it led to."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from typing import Any, TypeVar

T = TypeVar("T")
_VERSION = 2
_READABLE = frozenset({1, 2})  # what 1 lacks has a default in `load`


@dataclass(slots=True)
class Known:
    """One alarm people were told of.

    told: when, UTC seconds. reminded, stepped: elapsed seconds, as `Memory.elapsed` counts them. people: everybody told.
    band, danger: the gravest that was told. began: elapsed seconds, None where an older version did not note it.
    """

    told: int
    reminded: int
    stepped: int
    people: list[str] = field(default_factory=list)
    group: str | None = None
    urgent: bool = False
    band: str | None = None
    danger: bool = False
    began: int | None = None


@dataclass(slots=True)
class Group:
    """Alarms of one kind and place that are told together: the first began near each other, later ones join.

    `members` are `[name, since, event, alarm, rack, cause, response]`, in order; older versions knew fewer. opened,
    last, over_from: elapsed seconds at which the window for joining was opened, the last member came, the first of them ended.
    """

    id: str
    opened: int
    last: int
    members: list[list[Any]] = field(default_factory=list)
    over_from: int = 0

    @property
    def size(self) -> int:
        """How many it is about: a tub whose alarm ended and came again, or with two silent probes, is one."""
        return len({member[0] for member in self.members})


@dataclass(slots=True)
class Budget:
    """Messages to one person on one local day; `last` is what was counted last."""

    day: str
    count: int = 0
    last: str = ""
    reported: bool = False


@dataclass(slots=True)
class Memory:
    """All of it. confirmed: way to a person -> when a test over it was last confirmed, UTC seconds.

    stepped: seconds by which the wall clock was stepped so far. was_away: whether away mode was on when last looked at.
    over: facts of what was told and ended since the last morning message.
    """

    alarms: dict[str, Known] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    budgets: dict[str, Budget] = field(default_factory=dict)
    away_until: int | None = None
    done: dict[str, str] = field(default_factory=dict)
    confirmed: dict[str, int] = field(default_factory=dict)
    paths_from: int | None = None
    stepped: int = 0
    was_away: bool = False
    over: list[dict[str, Any]] = field(default_factory=list)

    def elapsed(self, now: int) -> int:
        """Return UTC seconds as they would be had the clock never been stepped: their differences are elapsed time."""
        return now - self.stepped

    def began(self, alarm: str, since: int) -> int:
        """Return when an alarm began, UTC seconds by the clock of now; since: by the clock of then."""
        known = self.alarms.get(alarm)
        return since if known is None or known.began is None else known.began + self.stepped

    def told_together(self, key: str, by: int) -> set[str]:
        """Return the alarms of a group that had been told by then, UTC seconds."""
        return {name for name, known in self.alarms.items() if known.group == key and known.told <= by}

    def dump(self) -> str:
        """Return it as JSON."""
        # Sorted: the same memory is the same text, which is how it is known that nothing need be stored.
        return json.dumps({"version": _VERSION, **asdict(self)}, separators=(",", ":"), sort_keys=True)

    @classmethod
    def load(cls, text: str | None) -> Memory:
        """Return what `dump` gave. Of another version, or nothing: an empty memory, which tells once too often rather than never."""
        if text is None:
            return cls()
        data = json.loads(text)
        if data.get("version") not in _READABLE:
            return cls()
        return cls(
            alarms={name: _made(Known, known) for name, known in data["alarms"].items()},
            groups={name: _made(Group, group) for name, group in data["groups"].items()},
            budgets={name: _made(Budget, budget) for name, budget in data["budgets"].items()},
            away_until=data["away_until"],
            done=dict(data["done"]),
            confirmed=dict(data["confirmed"]),
            paths_from=data["paths_from"],
            stepped=data.get("stepped", 0),
            was_away=data.get("was_away", False),
            over=data.get("over", []),
        )


def _made(cls: type[T], stored: dict[str, Any]) -> T:
    names = {item.name for item in fields(cls)}  # type: ignore[arg-type]  # a dataclass
    return cls(**{name: value for name, value in stored.items() if name in names})
