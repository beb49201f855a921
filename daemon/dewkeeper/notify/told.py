"""What a message is about: the facts that its words, its JSON and a later rewording are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, cast

from dewkeeper.judge.types import Band, Event, Kind
from dewkeeper.judge.words import UNMEASURED_ENDS
from dewkeeper.notify.phrases import time_to_respond
from dewkeeper.report.order import ROOMS, highest_of

Happening = Literal["raised", "escalated", "reminded", "unanswered", "handed_over", "cleared", "annotated"]
"""What is told of an alarm. `unanswered`: an urgent one that nobody acknowledged goes to the next person. `handed_over`:
away mode began or ended, and it stands for whoever is told first now."""


@dataclass(frozen=True, slots=True)
class Member:
    """One enclosure of a grouped message. until: when it was over, None while it stands; over: it is, whenever that was.

    do, response: what to do there, in a few words and in full, where it is not the same for all of them. value: the newest that is believed when it
    is sent, limit: of its own alarm; %RH or °C, as the kind has it.
    """

    name: str
    since: int
    event: str
    until: int | None = None
    over: bool = False
    do: str = ""
    response: str = ""
    value: float | None = None
    limit: float | None = None

    @classmethod
    def of_facts(cls, facts: Mapping[str, Any]) -> Member:
        """Return a stored member; what another version added is left out."""
        known = {item.name for item in fields(cls)}
        return cls(**{name: value for name, value in facts.items() if name in known})


@dataclass(frozen=True, slots=True)
class Place:
    """Where an enclosure stands or a probe hangs; branch: bus and multiplexer, which fail together.

    tubs: enclosures whose probes are part of what fell silent together. where: both in words, where there are several racks.
    """

    rack: str | None = None
    room: str | None = None
    branch: str | None = None
    tubs: tuple[str, ...] = ()
    where: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """One alarm, or several of one kind together, at the moment of planning.

    respond_by: UTC seconds until when it is to be answered. since, until: UTC seconds; until is when the condition was over. value, limit: %RH or °C, as the kind has it.
    action: what to do in a few words, where it is not the same for all of a kind.
    members: of a group, in the order they joined; empty for a single alarm. tubs: unwatched by a fault of a whole branch.
    site: another site whose trouble it is, what being named without it. where: as in `Place`.
    doubt: what is believed of the probe, in a word, while its alarm is told all the same; either: the other enclosure it
    may be about. danger: so hot that it is an emergency. highest: of a heat that is over, the hottest it was, °C.

    at: when this was planned, UTC seconds, None where the value is older than that.

    What only the moment of sending knows: over: it has ended since, whenever that was. now_value, now_at: the newest
    reading; now_beside: its °C where that is %RH, and the other way round. still: of one that has ended, what else is beyond its limit there.
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
    respond_by: int | None = None
    what: str = ""
    detail: str = ""
    action: str = ""
    recorded: bool = True
    members: tuple[Member, ...] = ()
    tubs: tuple[str, ...] = ()
    where: str = ""
    doubt: str = ""
    either: str = ""
    danger: bool = False
    highest: float | None = None
    at: int | None = None
    over: bool = False
    now_value: float | None = None
    now_at: int | None = None
    now_beside: float | None = None
    still: str = ""
    site: str = ""

    @property
    def subject(self) -> str:
        """What it is about, as the keeper calls it."""
        if self.members:
            return self.many if self.kind in ROOMS else f"{self.many} {self._shared_place()}"
        if self.tubs:
            more = len(self.tubs) - 2
            return ", ".join(self.tubs[:2]) + (f" +{more}" if more > 0 else "")
        if self.enclosure and self.either:
            return f"{self.enclosure} or {self.either}"
        if self.enclosure is None and self.kind in ROOMS and self.room:
            return self.room
        return self.enclosure or self.probe or self.room or self.branch or self.site or "dewkeeper"

    @property
    def short_subject(self) -> str:
        """The same where there is little room: of several the place and how many, "rack left (15)"."""
        if not self.members or self.kind in ROOMS:
            return self.subject
        return f"{self._shared_place().removeprefix('in ').removeprefix('on ')} ({self.many.partition(' ')[0]})"

    @property
    def many(self) -> str:
        """How many a group is about, "3 tubs": who stands, or all once it is over."""
        standing = {member.name for member in self.members if not member.over and member.until is None}
        number = len(standing or {member.name for member in self.members})
        return f"{number} {'room' if self.kind in ROOMS else 'tub'}{'' if number == 1 else 's'}"

    @property
    def topic(self) -> str:
        """What of the monitor, or of the other site's, is in trouble."""
        return self.what.removesuffix(f" of {self.site}") if self.site else self.what

    def _shared_place(self) -> str:
        """Return "in rack left", "in room attic" or "on bus i2c-1": what kind of place it is, unless its name says so."""
        for kind, name in (("rack", self.rack), ("room", self.room)):
            if name:
                return f"in {name}" if kind in name.casefold() else f"in {kind} {name}"
        return f"on bus {self.branch}" if self.branch else "in the rack"

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
            respond_by=event.time + time_to_respond(event),
            what=str(event.detail.get("what", "")),
            detail=event.why if event.why in UNMEASURED_ENDS else str(event.detail.get("text", "")),
            action=str(event.detail.get("action", "")),
            site=str(event.detail.get("site", "")),
            rack=place.rack,
            room=place.room or _text(event.detail.get("room")),
            branch=place.branch or _text(event.detail.get("branch")),
            tubs=place.tubs,
            where=place.where,
            doubt=str(event.detail.get("doubt", "")),
            either=str(event.detail.get("or", "")),
            danger=bool(event.detail.get("danger")),
            highest=highest_of(event.detail),
            at=event.time,
        )

    def facts(self) -> dict[str, Any]:
        """Return it as plain values for storing."""
        made: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            # What says nothing is left out of every row; of `recorded` it is the False that says something.
            if item.name == "recorded" or not (value in (None, "", ()) or value is False):
                made[item.name] = list(value) if isinstance(value, tuple) else value
        if self.members:
            made["members"] = [
                {"name": m.name, "since": m.since, "event": m.event, "until": m.until}
                | ({"over": True} if m.over else {})
                | ({"do": m.do} if m.do else {})
                | ({"response": m.response} if m.response else {})
                | ({} if m.value is None else {"value": m.value})
                | ({} if m.limit is None else {"limit": m.limit})
                for m in self.members
            ]
        return made

    @classmethod
    def of_facts(cls, facts: Mapping[str, Any]) -> Told | None:
        """Return what stored facts tell, or None if they are not those of an alarm.

        The kind may be one that another version knows. Raises TypeError or AttributeError for what nothing ever stored.
        """
        if "happening" not in facts or "kind" not in facts:
            return None
        known = {item.name for item in fields(cls)}
        plain = {name: value for name, value in facts.items() if name in known and name != "members"}
        plain["tubs"] = tuple(facts.get("tubs", ()))
        members = tuple(Member.of_facts(m) for m in cast("list[dict[str, Any]]", facts.get("members", [])))
        return cls(**plain, members=members)


def _text(value: object) -> str | None:
    return None if value is None else str(value)
