"""Messages as they stand on a phone in situations a keeper meets, word for word: tests/notify/golden.txt is to be read aloud."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from tests.notify.test_notify_plan import CONTEXT, MORNING, NIGHT, NOON, alarm, config, event
from tests.notify.test_notify_told_right import sent, situation

from dewkeeper.judge.rationale import (
    HANDS_OFF,
    HIGHEST,
    LEFT,
    ROOM,
    STILL_DRY,
    TO_THE_THERMOSTAT,
    WARMED,
)
from dewkeeper.judge.types import Alarm, Event
from dewkeeper.judge.words import KINDS
from dewkeeper.notify.plan import Planner
from dewkeeper.store.health import Disk
from dewkeeper_config.models import Storage

FILE = Path(__file__).with_name("golden.txt")
PLAIN = replace(CONTEXT, base_url=None, link_key=None)
HOUR = 3600
FULL_DISK = next(
    report.response
    for report in Disk(Storage(folder=Path("/")), space=lambda _: (180_000_000, 6_000_000_000)).reports(NOON)
    if report.what == "disk space"
)
BOWL = f"refill the bowl; {STILL_DRY}close a few holes from outside, never most: stale, wet air harms too"
WET = "look at the probe first: if it is wet, dry it, put it back, wait an hour and change nothing else; wet again by then, or it was dry: the air is wet, give the tub more air, mist less, look for a wet floor"


def whole(one: Event) -> Event:
    """Return the event with the words the judge gives its kind."""
    row = KINDS[one.kind]
    return replace(
        one, cause=one.cause or row.cause, consequence=one.consequence or row.consequence, response=one.response or row.response,
        within_seconds=one.within_seconds or row.within_for(one.band), priority=row.priority_for(one.band),
    )  # fmt: skip


def standing(one: Event) -> Alarm:
    """Return the alarm an event is about."""
    return replace(
        alarm(one.enclosure or "", one.kind), alarm=one.alarm, enclosure=one.enclosure, probe=one.probe, band=one.band,
        priority=one.priority, limit=one.limit, cause=one.cause, consequence=one.consequence, response=one.response,
        within_seconds=one.within_seconds, since=one.since, raised=one.time, asked=one.time, detail=one.detail,
    )  # fmt: skip


def told(
    events: Sequence[Event],
    newest: tuple[float, float] | Sequence[tuple[float, float]] | None = None,
    *,
    at: int = NOON,
    later: int = 0,
    gone: bool = False,
) -> Iterator[str]:
    """Yield the messages of these events, or what is told so much later; newest: °C and %RH of the first one's probe then, or of each."""
    made = [whole(one) for one in events]
    alarms, planner, when = [standing(one) for one in made], Planner(config(), None), at + later
    rows = planner.plan(made, alarms, at, PLAIN)
    if gone:
        reached = {HIGHEST: 41.3}
        over = [
            replace(
                one, id=f"{one.id}/over", event="cleared", state="normal", time=when, detail={**one.detail, **reached}
            )
            for one in made
        ]
        rows, alarms = planner.plan(over, [], when, PLAIN), []
    elif later:
        rows = planner.tick(alarms, when, PLAIN)
    each = newest if isinstance(newest, list) else [newest] if newest else []
    read = {str(one.probe): (when, *air) for one, air in zip(made, each, strict=False)}
    for message in sent(rows, when, situation(*alarms, **read)):
        yield "\n".join([message.title, *(f"    {line}".replace("\n", "\n        ") for line in message.lines)])


def situations() -> Iterator[tuple[str, Iterator[str]]]:
    """Yield every situation by name, with its messages."""
    heat = event("A4", "hot", since=NOON - 120, value=40.6, limit=38.0, detail={"danger": 1})
    yield "41 degrees now", told([heat], (41.0, 40.0))
    yield "41 degrees, nobody answers", told([heat], (41.3, 40.0), later=4500)
    yield "the heat is over", told([heat], (30.0, 60.0), later=HOUR, gone=True)
    common = "several stopped together: the mains, a breaker, or a plug or thermostat they share"
    yield (
        "power cut",
        told([event(f"A{n}", "heat_lost", since=NOON - 1500, band=None, cause=common) for n in range(1, 6)]),
    )
    yield (
        "every probe of a rack silent",
        told([event(f"A{n}", "missing", since=NOON - 240, band=None) for n in range(1, 7)]),
    )
    yield "dry, the bowl is empty", told([event("A4", value=52.7, limit=55.0, cause=LEFT, response=BOWL)], (29.0, 52.4))
    mist = f"{TO_THE_THERMOSTAT}: the air is warmer, not drier; {HANDS_OFF}; else unplug its heater before you touch it, back on when all is right, and look again in an hour; do not mist"
    yield (
        "dry, because it got warmer",
        told(
            [event("A4", value=52.7, limit=55.0, cause=WARMED, response=mist)],
            (33.0, 52.4),
        ),
    )
    yield (
        "dry for six hours more",
        told([event("A4", value=52.7, limit=55.0, cause=LEFT, response=BOWL)], (29.0, 47.4), later=6 * HOUR),
    )
    yield "cold at night", told([event("A4", "cold", at=NIGHT, since=NIGHT - 2000, limit=24.0)], (22.8, 60.0), at=NIGHT)
    doubt = {"doubt": "wet probe"}
    yield (
        "100 %, perhaps a wet probe",
        told([event("A4", "damp", limit=80.0, detail=doubt, response=WET)], (29.0, 99.9)),
    )
    advice = "treat the room's air; leave the tub as it is"
    yield "dry frost", told([event(f"A{n}", limit=55.0, cause=ROOM, response=advice) for n in range(1, 5)])
    bowls = [event(f"A{n}", limit=55.0, cause=LEFT, response=BOWL) for n in range(1, 3)]
    warm = event("A3", limit=55.0, cause=WARMED, response=mist)
    yield "three dry tubs, two causes", told([*bowls, warm])
    yield (
        "below the target only",
        told([event("A4", value=57.7, limit=60.0, band="target", cause=LEFT, response=BOWL)], (29.0, 57.6)),
    )
    full = "the bowl was filled: add a second bowl"
    yield (
        "dry, and the bowl was filled",
        told([event("A4", value=52.7, limit=55.0, cause=LEFT, response=full)], (29.0, 52.4)),
    )
    stuck = event("A4", "heat_stuck_on", since=NOON - 900, band=None, value=35.2)
    yield "a heater that does not stop", told([stuck], (35.6, 45.0))
    yield (
        "three tubs too hot at once",
        told(
            [event(f"A{n}", "hot", since=NOON - 120, value=35.0, limit=34.0) for n in range(1, 4)],
            [(35.1, 60.0), (36.4, 55.0), (34.8, 62.0)],
        ),
    )
    yield "one probe silent", told([event("A4", "missing", since=NOON - 240, band=None)])
    frost = event(
        "attic", "room_frost", probe="air", since=NOON - 7200, band=None, value=21.5, cause="the room's air is frost-dry",
        response="moisten the room, with a humidifier or wet cloths, away from plugs and leads; leave the tubs as they are", detail={"room": "attic"},
    )  # fmt: skip
    yield (
        "a room as dry as a hard frost makes it",
        told([replace(frost, enclosure=None, consequence="every enclosure in it dries")], (21.3, 19.0)),
    )
    disk = event(
        "disk", "system", since=NOON, band=None, cause="3 % of the disk is free (180 MB), less than 10 %",
        response=FULL_DISK,
        detail={"what": "disk space", "action": "make room", "text": "3 % of the disk is free (180 MB), less than 10 %"},
    )  # fmt: skip
    holds = "it still watches, tells and records; when the disk is full it goes on watching and telling, and records nothing"
    yield "the disk is nearly full", told([replace(disk, enclosure=None, probe=None, consequence=holds)])
    yield "a lid left open", told([event("A4", "lid_open", since=NOON - 2700, band=None)])


def test_the_messages_are_word_for_word_those_that_were_read() -> None:
    """Who changes a word of a message reads it here, in its place."""
    assert MORNING > NIGHT
    said = "\n\n".join("\n".join([f"== {name}", *messages]) for name, messages in situations()) + "\n"
    assert said == FILE.read_text(encoding="utf-8")
