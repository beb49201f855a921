"""What is said of an alarm, in one account: what it is called, why it is, what to do. Every screen, command and message takes it from here.

What to do is, while it stands, the judge's advice, and where an animal can be hurt what comes before or after it; when it is over, what
it left behind. Common practice, no source; in doubt an exotics vet.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.rationale import COLD_CAUSE, DRY_CAUSE, MILD, MILD_C
from dewkeeper.judge.words import EXCURSIONS, KINDS, LATCHED
from dewkeeper.report.model import Standing
from dewkeeper.report.order import ROOMS
from dewkeeper.report.wording import Wording, beyond, instead_of, limit_words

STATE_WORDS: Final[dict[str, str]] = {
    "normal": "over",
    "unacknowledged": "nobody has seen it yet",
    "acknowledged": "seen",
    "returned_unacknowledged": "over, but nobody has seen it",
    "shelved": "shelved",
    "suppressed": "quiet by design",
    "out_of_service": "out of service",
}
"""An alarm's state for people."""
_ROOM_WORDS: Final = {COLD_CAUSE: "room cold", DRY_CAUSE: "room too dry"}
"""What the alarm of a room is called, by its cause: one kind for two things that ask for different steps."""
_PHONE: Final = "phone an exotics vet or animal clinic at once"
_VET: Final = f"{_PHONE}, even if it looks well"
_TO_THE_VET: Final = (
    f"over danger (38 °C unless set otherwise), too hot for an hour, limp or gaping: {_PHONE}, however it looks"
)
_BURNT: Final = "hot or melted plug: hands off, breaker off, licensed electrician"
_TRUSTED: Final = "heat and snake back only when a sound plug and a checked or new thermostat have held the empty tub right for some hours"
_HEAT_OVER: Final = f"{_BURNT}; else heater off until its thermostat is checked or new; room at {MILD} meanwhile; look at the other tubs on that plug"
"""What follows where it has cooled down by itself, after the snake: what overheated it is still plugged in."""
SILENT: Final = frozenset({"missing", "crc"})
"""Kinds of alarm under which a probe gives no reading at all."""
_UNREAD_HEAT: Final = f"smoke: get out. Else look at the tub: hot, or cold by now; not hot: heater off even so (hot plug: breaker off), room at {MILD_C}"
"""Before the steps against a heat of which nothing is read any more."""
SEEN: Final = "tap “I have seen it” on the page"
LOOK_FIRST: Final = "look at the tub and its heat"
"""What comes first where nobody knows the air: the animal before the cable."""


def after_heat(*, danger: bool) -> str:
    """Return what follows the first steps against heat. danger: it is known to be hotter than that, so that the vet is certain."""
    vet = f"the snake: {_VET}" if danger else _TO_THE_VET
    return f"{vet}; no cold bath for the snake; {_BURNT}; look at the other tubs on that plug or breaker: hot ones the same way, for cold ones keep the room at {MILD}; {_TRUSTED}"


def to_do(alarm: Standing, *, whole: bool = True) -> str:
    """Return what to do about an alarm that stands, or that is over and nobody has seen.

    whole: with what follows heat; of two heats of one tub it need not be said twice.
    """
    if alarm.state == "returned_unacknowledged":
        over = "nobody measured that it is over: look at the tub first;" if alarm.unmeasured else "it is over:"
        return f"{over} {over_steps(alarm.kind, danger=alarm.danger_limit)}{SEEN}"
    steps = steps_of(alarm.kind, alarm.response, tub=alarm.enclosure is not None)
    if steps and alarm.kind in LATCHED and alarm.enclosure is not None and (alarm.air is None or alarm.air.stale):
        vet = ", and the vet, as below" if alarm.danger_limit else ""
        steps = f"{_UNREAD_HEAT}{vet}; hot: as follows; {steps}"
    if whole and steps and alarm.kind in LATCHED:
        steps += f"; when the heat is off: {after_heat(danger=alarm.danger_limit)}"
    return steps


def steps_of(kind: str, response: str, *, tub: bool) -> str:
    """Return the steps against what stands, without what follows heat. tub: whether it is about one enclosure."""
    return f"{LOOK_FIRST}; then {response}" if kind in SILENT and tub and response else response


def over_steps(kind: str, whom: str = "the snake", *, danger: bool = False) -> str:
    """Return what to look at after it, ready to be followed by another step; nothing for nothing. danger: hotter than that."""
    if kind not in LATCHED:
        return ""
    vet = (
        "heater off (hot plug: breaker), then phone an exotics vet, even if it looks well"
        if danger
        else f"look at {whom} now; {_TO_THE_VET}"
    )
    return f"{vet}; {_HEAT_OVER}; then "


def headline(standing: Standing, wording: Wording | None = None) -> str:
    """Return "B4: too dry", "room cold (attic)"; a fault of a probe beside the judged one names the probe. wording: say numbers as `named` does."""
    said = called(standing) if wording is None else named(standing, wording)
    if standing.room:
        return f"{said} ({standing.room})"
    return f"{standing.subject}: {said}" if standing.subject else said


def named(alarm: Standing, wording: Wording) -> str:
    """Return what an alarm is called, with its number where the words alone would not say how far: "drier than target (58 % instead of 60 %)"."""
    over = alarm.state == "returned_unacknowledged"
    now = alarm.value if alarm.air is None else alarm.air.humidity_percent
    number = "" if over or alarm.band != "target" else instead_of(alarm.kind, now, alarm.limit, wording)
    return called(alarm) + number


def called(alarm: Standing) -> str:
    """Return what an alarm is called at its enclosure: "too dry", "dangerously hot", of what is over "was too hot"."""
    over = alarm.state == "returned_unacknowledged"
    said = "dangerously hot" if alarm.kind == "hot" and alarm.danger else beyond(alarm.kind, alarm.band)
    said = _ROOM_WORDS.get(alarm.cause, said)
    if over and alarm.kind == "system":
        return said.replace(" is ", " was ", 1)
    return f"was {said}" if over and alarm.kind in EXCURSIONS else said


def state_words(alarm: Standing, wording: Wording, now: int) -> str:
    """Return an alarm's state for people, with who saw it and when where that is known: "seen by Ina 04:10, still going on"."""
    said = "not measured any more, and nobody has seen it" if alarm.unmeasured else STATE_WORDS[alarm.state]
    if alarm.state != "acknowledged":
        return said
    if alarm.seen_at is not None:
        said += f"{f' by {alarm.seen_by}' if alarm.seen_by else ''} {wording.clock(alarm.seen_at, now)}"
    return f"{said}, still going on{': act' if alarm.priority == 'urgent' else ''}"


def shelf_words(alarm: Standing, wording: Wording, now: int) -> str:
    """Return " until 14:00 by Ina: new bowl" of what was put aside, as far as that is known; "" of any other."""
    said = "" if alarm.shelved_until is None else f" until {wording.clock(alarm.shelved_until, now)}"
    said += f" by {alarm.shelved_by}" if alarm.shelved_by else ""
    return said + (f": {alarm.shelved_why}" if alarm.shelved_why else "")


def now_against(alarm: Standing, wording: Wording) -> str:
    """Return "now 46 %, limit 55 %", of a heat that is over "up to 39.2 °C, now 30.0 °C …", of an enclosure's air that is beyond tolerable, or as it was last read; "" of any other."""
    humid, warm = alarm.kind in ("dry", "damp"), alarm.kind in ("hot", "cold", "heat_stuck_on", "heat_lost")
    if alarm.band == "target" or not (humid or warm):
        return ""
    show = wording.humidity if humid else wording.temperature
    limit = ""
    if alarm.limit is not None:
        limit = f", {limit_words(alarm.kind, alarm.band, alarm.limit, wording, danger=alarm.danger_limit)}"
    if alarm.air is None:
        reached = "" if alarm.highest is None else f", up to {show(alarm.highest)}"
        return f"{show(alarm.value)} when told{reached}{limit}" if alarm.value is not None else ""
    value = alarm.air.humidity_percent if humid else alarm.air.temperature_c
    reached = "" if alarm.highest is None else f"up to {wording.temperature(alarm.highest)}, "
    return f"{reached}{'last read' if alarm.air.stale else 'now'} {show(value)}{limit}"


def why_now(alarm: Standing, wording: Wording) -> str:
    """Return why it stands, with the air of now of a room; of dewkeeper's own trouble also whether it still watches."""
    if alarm.kind == "system" and alarm.consequence not in ("", KINDS["system"].consequence):
        return f"{alarm.cause.removesuffix('.')}; {alarm.consequence}"
    return alarm.cause + room_air(alarm, wording)


def room_air(alarm: Standing, wording: Wording) -> str:
    """Return ", now 11.8 °C, 42 %" of an alarm of a room: its air of now, or its warmth when it was told; "" of any other."""
    if alarm.kind not in ROOMS:
        return ""
    if alarm.air is None:
        return "" if alarm.value is None else f", {wording.temperature(alarm.value)} when told"
    when = f"{wording.clock(alarm.air.at)}:" if alarm.air.stale else "now"
    return f", {when} {wording.temperature(alarm.air.temperature_c)}, {wording.humidity(alarm.air.humidity_percent)}"
