"""What a message is about: the facts that its words, its JSON and a later rewording are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, cast

from dewkeeper.judge.types import Band, Event, Kind

Happening = Literal["raised", "escalated", "reminded", "unanswered", "cleared", "annotated"]
"""What is told of an alarm. `unanswered`: an urgent one that nobody acknowledged goes to the next person."""


@dataclass(frozen=True, slots=True)
class Member:
    """One enclosure of a grouped message. until: when it was over, None while it stands."""

    name: str
    since: int
    event: str
    until: int | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where an enclosure stands or a probe hangs; branch: bus and multiplexer, which fail together."""

    rack: str | None = None
    room: str | None = None
    branch: str | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """One alarm, or several of one kind together, at the moment of planning.

    since, until: UTC seconds; until is when the condition was over. value, limit: %RH or °C, as the kind has it.
    action: what to do in a few words, where it is not the same for all of a kind.
    members: of a group, in the order they joined; empty for a single alarm. room_wide: it is the room's air, not tubs.
    """

    happening: Happening
    kind: Kind
    since: int
    band: Band | None = None
    priority: str = "low"
    enclosure: str | None = None
    probe: str | None = None
    rack: str | None = None
    room: str | None = None
    branch: str | None = None
    until: int | None = None
    value: float | None = None
    limit: float | None = None
    cause: str = ""
    consequence: str = ""
    response: str = ""
    within_seconds: int = 0
    what: str = ""
    detail: str = ""
    action: str = ""
    recorded: bool = True
    members: tuple[Member, ...] = ()

    @property
    def subject(self) -> str:
        """What it is about, as the keeper calls it."""
        if self.members:
            return f"{len(self.members)} in {self.rack or self.room or self.branch or 'the rack'}"
        return self.enclosure or self.probe or self.room or self.branch or "dewkeeper"

    @classmethod
    def of_event(cls, event: Event, happening: Happening, place: Place) -> Told:
        """Return what an event of the judge tells."""
        return cls(
            happening=happening,
            kind=event.kind,
            since=event.since,
            band=event.band,
            priority=event.priority,
            enclosure=event.enclosure,
            probe=event.probe,
            until=event.time if happening == "cleared" else None,
            value=event.value,
            limit=event.limit,
            cause=event.cause,
            consequence=event.consequence,
            response=event.response,
            within_seconds=event.within_seconds,
            what=str(event.detail.get("what", "")),
            detail=str(event.detail.get("text", "")),
            action=str(event.detail.get("action", "")),
            rack=place.rack,
            room=place.room,
            branch=place.branch or _text(event.detail.get("branch")),
        )

    def facts(self) -> dict[str, Any]:
        """Return it as plain values for storing."""
        made: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "members" and value not in (None, ""):
                made[item.name] = value
        if self.members:
            made["members"] = [
                {"name": m.name, "since": m.since, "event": m.event, "until": m.until} for m in self.members
            ]
        return made

    @classmethod
    def of_facts(cls, facts: Mapping[str, Any]) -> Told | None:
        """Return what stored facts tell, or None if they are not those of an alarm."""
        if "happening" not in facts or "kind" not in facts:
            return None
        known = {item.name for item in fields(cls)}
        plain = {name: value for name, value in facts.items() if name in known and name != "members"}
        members = tuple(Member(**m) for m in cast("list[dict[str, Any]]", facts.get("members", [])))
        return cls(**plain, members=members)


def _text(value: object) -> str | None:
    return None if value is None else str(value)
