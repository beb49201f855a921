"""Which events are told together: the first at once, from three on as one message, later members joining it.

Grouping is by kind within a room, and for probe faults by branch: a frost or a loose cable is one piece of news.
Members that wait have rows of their own (stored before told); the dispatcher merges those of one group that have
become due together.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.rationale import ROOM
from dewkeeper.judge.types import Event
from dewkeeper.judge.words import FAULTS, KINDS
from dewkeeper.notify.people import MESSAGE_NAMESPACE
from dewkeeper.notify.phrases import OWN_CAUSES, short_step
from dewkeeper.notify.planner_state import Group, Memory
from dewkeeper.notify.told import Happening, Member, Place, Told
from dewkeeper.report.wording import cause_words, places
from dewkeeper_config.models import Config

WINDOW_SECONDS: Final = 900
FAULT_WINDOW_SECONDS: Final = 300
"""A dead probe is told within ten minutes of dying; three minutes go by before the judge is sure."""
URGENT_JOIN_SECONDS: Final = 120
FROM: Final = 3
_TOLD: Final[Mapping[str, Happening]] = {
    "raised": "raised", "escalated": "escalated", "reminded": "reminded", "cleared": "cleared", "annotated": "annotated",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Where:
    """Where enclosures stand and probes hang. words: the same of an enclosure, in a house of several racks."""

    enclosures: Mapping[str, tuple[str, str]]
    probes: Mapping[str, tuple[str | None, str | None, str]]
    words: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, config: Config) -> Where:
        """Return it from the configuration."""
        rooms = {rack.name: rack.room for rack in config.rack}
        return cls(
            {e.name: (e.rack, rooms.get(e.rack, "room")) for e in config.enclosure},
            {
                p.name: (
                    p.enclosure,
                    p.room,
                    f"{p.bus} 0x{p.multiplexer:02x}" if p.multiplexer is not None else str(p.bus or "own"),
                )
                for p in config.probe
            },
            places(config),
        )

    def place(self, enclosure: str | None, probe: str | None, together: str = "") -> Place:
        """Return rack, room and branch of an enclosure or a probe; together: the probes that fell silent as one, named."""
        names = [name.strip() for name in together.split(",") if name.strip()]
        tubs = dict.fromkeys(tub for tub in (self.probes.get(name, ("",))[0] for name in names) if tub)
        own, own_room, branch = self.probes.get(probe or next(iter(names), ""), (None, None, None))
        rack, room = self.enclosures.get(enclosure or own or "", (None, own_room))
        return Place(rack, room, branch, tuple(tubs), self.words.get(enclosure or "", ""))


@dataclass(frozen=True, slots=True)
class Telling:
    """One thing to say: what about which alarms, under which event id, held for how long.

    group: key of its group in the memory. gather: rows with this in common are merged when they are due together.
    bypass_quiet: it goes out within a message that comes at an hour the person named.
    """

    event: str
    alarm: str
    alarms: tuple[str, ...]
    told: Told
    group: str | None = None
    gather: str | None = None
    thread: str | None = None
    hold_seconds: int = 0
    bypass_quiet: bool = False


def tellings(events: Sequence[Event], memory: Memory, where: Where, elapsed: int) -> list[Telling]:
    """Return what these events, which came together, are told as. Opens and extends the groups of the memory.

    elapsed: seconds as `Memory.elapsed` counts them.
    """
    made: list[Telling] = []
    raised: dict[str, list[tuple[Event, Told]]] = {}
    faults = {event.enclosure: event.kind for event in events if event.event == "raised" and event.kind in FAULTS}
    for event in events:
        happening = _TOLD.get(event.event)
        if happening is None or event.state in WITHHELD:
            continue
        place = where.place(event.enclosure, event.probe, str(event.detail.get("members", "")))
        told = Told.of_event(event, happening, place)
        if happening == "annotated":
            # What is added to an alarm is news only where its probe turned out faulty; the rest is for the record.
            if event.enclosure not in faults:
                continue
            priority = "medium" if told.priority == "urgent" else told.priority
            told = replace(told, priority=priority, detail=KINDS[faults[event.enclosure]].label)
        key = _key(told)
        if happening == "raised" and key is not None:
            raised.setdefault(key, []).append((event, told))
        else:
            made.append(_alone(event, told, memory, elapsed))
    for key, together in raised.items():
        made += _grouped(key, together, memory, elapsed)
    _forget(memory, elapsed)
    return made


def _key(told: Told) -> str | None:
    if told.kind in FAULTS:
        return None if told.branch in (None, "own") else f"branch/{told.branch}/{told.kind}"
    return None if told.enclosure is None else f"room/{told.room}/{told.kind}"


def _alone(event: Event, told: Told, memory: Memory, now: int) -> Telling:
    known = memory.alarms.get(event.alarm)
    group = None if known is None or known.group is None else memory.groups.get(known.group)
    if told.happening == "cleared" and group is not None and group.size >= FROM:
        # What came together mostly goes together.
        if not group.over_from or now - group.over_from > WINDOW_SECONDS:
            group.over_from = now
        return Telling(
            event.id,
            event.alarm,
            (event.alarm,),
            told,
            gather=f"{group.id}/over",
            thread=group.id,
            hold_seconds=group.over_from + WINDOW_SECONDS - now,
        )
    return Telling(event.id, event.alarm, (event.alarm,), told)


def _grouped(key: str, together: Sequence[tuple[Event, Told]], memory: Memory, now: int) -> list[Telling]:
    """Return what is told of those that join the group of a key in one cycle. now: elapsed seconds."""
    fault = together[0][1].kind in FAULTS
    window = FAULT_WINDOW_SECONDS if fault else WINDOW_SECONDS
    group, late = _open(key, together[0][0], memory, window, now)
    before, size_before = len(group.members), group.size
    group.last = now
    for event, told in together:
        group.members.append([told.subject, told.since, event.id, event.alarm, told.rack, told.cause, told.response])
    urgent = any(told.priority == "urgent" for _, told in together)
    # Faults of one branch that come in one cycle are one piece of news from two on.
    enough = group.size >= (2 if fault and len(together) > 1 else FROM)
    if enough and (before == 0 or late or (urgent and size_before < FROM)):
        return [_together(key, group, together, group.members, hold_seconds=0, late=late)]
    hold = max(0, group.opened + window - now)
    if enough:
        hold = URGENT_JOIN_SECONDS if urgent else max(hold, URGENT_JOIN_SECONDS)
        if len(together) > 1:
            return [_together(key, group, together, group.members[before:], hold_seconds=hold)]
    made = []
    for place, (event, told) in enumerate(together, start=before):
        at_once = place == 0 or late or (urgent and not enough)
        made.append(
            Telling(
                event.id, event.alarm, (event.alarm,), told, group=key, gather=group.id,
                thread=group.id if enough else None, hold_seconds=0 if at_once else hold,
            )
        )  # fmt: skip
    return made


def _open(key: str, first: Event, memory: Memory, window: int, now: int) -> tuple[Group, bool]:
    """Return the group of a key that is open to members, and whether this one comes late to one that stands.

    As long as its members stand, who comes after the window joins them: their thread, and a message that names them all.
    """
    group = memory.groups.get(key)
    if group is not None and now - group.last <= window:
        return group, False
    standing = [] if group is None else [m for m in group.members if _stands(memory, key, str(m[3]))]
    if group is None or not standing:
        group = memory.groups[key] = Group(str(uuid.uuid5(MESSAGE_NAMESPACE, f"{key}/{first.id}")), now, now)
        return group, False
    group.members, group.opened, group.over_from = standing, now, 0
    return group, True


def _stands(memory: Memory, key: str, alarm: str) -> bool:
    known = memory.alarms.get(alarm)
    return known is not None and known.group == key


def together(tolds: Sequence[Told], events: Sequence[str]) -> Told:
    """Return several of one kind as one: each a member under its event, the place what they have in common."""
    members = tuple(Member(told.subject, told.since, event) for told, event in zip(tolds, events, strict=True))
    return agreed(_as_one(tolds, tolds[-1], members), [(told.cause, told.response) for told in tolds])


def agreed(told: Told, accounts: Sequence[tuple[str, str]]) -> Told:
    """Return what several are told as, by the cause and advice of each member: the room's, one they share, or each its own.

    The room it is when most say so, or when nobody knows better.
    """
    if told.kind not in OWN_CAUSES:
        return told
    rooms = sum(cause == ROOM for cause, _ in accounts)
    if 2 * rooms >= len(accounts) or not any(cause for cause, _ in accounts):
        return replace(
            told, cause=ROOM if rooms else "", members=tuple(replace(m, do="", response="") for m in told.members)
        )
    causes = " or ".join(dict.fromkeys(cause_words(told.kind, cause) for cause, _ in accounts if cause))
    steps = [short_step(told.kind, response) for _, response in accounts]
    if len(set(steps)) == 1:
        return replace(told, cause=causes, response=accounts[0][1])
    members = tuple(
        replace(member, do=step, response=response)
        for member, step, (_, response) in zip(told.members, steps, accounts, strict=True)
    )
    return replace(
        told, cause="not the same for all", response="for each tub what is said behind its name above", members=members
    )


def _as_one(tolds: Sequence[Told], last: Told, members: tuple[Member, ...]) -> Told:
    racks = {told.rack for told in tolds}
    return replace(
        last,
        enclosure=None,
        probe=None,
        since=min(member.since for member in members),
        respond_by=min((told.respond_by for told in tolds if told.respond_by is not None), default=None),
        rack=last.rack if len(racks) == 1 else None,
        priority="urgent" if any(told.priority == "urgent" for told in tolds) else last.priority,
        members=members,
        value=None,
        limit=None,
    )


def _together(
    key: str,
    group: Group,
    joined: Sequence[tuple[Event, Told]],
    members: Sequence[list[Any]],
    *,
    hold_seconds: int,
    late: bool = False,
) -> Telling:
    last, told = joined[-1]
    whole = _as_one([t for _, t in joined], told, tuple(Member(str(m[0]), int(m[1]), str(m[2])) for m in members))
    if len({m[4] for m in members if len(m) > 4} | {told.rack}) > 1:
        whole = replace(whole, rack=None)
    whole = agreed(whole, [(str(m[5]), str(m[6])) if len(m) > 6 else ("", "") for m in members])
    if late:
        whole = replace(whole, detail=f"new since the last message: {', '.join(t.subject for _, t in joined)}")
    alarms = tuple(str(m[3]) for m in members)
    return Telling(
        last.id, last.alarm, alarms, whole, group=key, gather=group.id, thread=group.id, hold_seconds=hold_seconds
    )


def _forget(memory: Memory, now: int) -> None:
    """Drop groups that nothing can join and nobody refers to any more."""
    used = {known.group for known in memory.alarms.values()}
    for key in [k for k, g in memory.groups.items() if now - g.last > 86400 and k not in used]:
        del memory.groups[key]
