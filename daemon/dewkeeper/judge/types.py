"""What goes into the judge and what comes out of it.

Times are integer UTC seconds on the sampler's timeline: between two `Rebase` items they advance with the
monotonic clock, so their differences are elapsed seconds. Temperatures are °C, humidities %RH.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Final, Literal

from dewkeeper_config.models import Limits
from dewkeeper_config.models.base import shared

Role = Literal["substrate", "warm_end", "humid_hide", "room"]
Kind = Literal[
    "dry", "damp", "hot", "cold",
    "heat_stuck_on", "heat_lost", "dry_soon", "stale_air", "lid_open", "room_heat", "room_heat_soon", "room_frost", "system",
    "missing", "crc", "gross_range", "flat_line", "saturated", "sensor_heater", "brownout",
    "displaced", "impossible", "drift", "swapped", "intermittent",
]  # fmt: skip
Band = Literal["target", "tolerable"]
Priority = Literal["low", "medium", "urgent"]
PRIORITIES: Final[tuple[Priority, ...]] = ("low", "medium", "urgent")
"""The mildest first."""
Told = Literal["raised", "escalated", "cleared"]  # what a replay prints
Happening = Literal[
    "raised", "escalated", "cleared",
    "acknowledged", "reminded", "shelved", "unshelved", "suppressed", "unsuppressed",
    "out_of_service", "in_service", "annotated",
]  # fmt: skip
State = Literal[
    "normal", "unacknowledged", "acknowledged", "returned_unacknowledged",
    "shelved", "suppressed", "out_of_service",
]  # fmt: skip
Failure = Literal["missing", "crc", "bus", "brownout"]  # why a poll gave no values

Figures = dict[str, str | float | int]
"""What is told beside an alarm, name by name."""

OTHER_SENSOR = "other_sensor"

PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9
"""QARTOD flags."""

SUSPECT_WHOLE: Final = frozenset({"out_of_order", "rate_of_change", "crc_burst"})
"""Tests that make a whole reading suspect, by itself. Every other one suspects its probe, by what is inferred of it."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One poll of one probe. A failed poll has no values and says why.

    temperature_word, humidity_word: the sensor's 16-bit words, 0 to 65535, scale as in the probe's `ProbeFacts`.
    temperature_c, humidity_percent: decoded and calibrated.
    notes: what was seen beside the values: `heater_on`, `reset_seen`, `crc_burst` by the driver, `other_sensor` by
        the sampler: the sensor at this position is not the one recorded for it. `other_sensor:NAME` says at which
        position it is recorded, the name quoted as in a URL.
    """

    time: int
    probe: str
    temperature_c: float | None
    humidity_percent: float | None
    temperature_word: int | None = None
    humidity_word: int | None = None
    failure: Failure | None = None
    notes: tuple[str, ...] = ()
    scale: str = "sht3x"  # how the words became values, as `dewkeeper_drivers.contract.spelled` says it


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """Something the keeper did or saw. `what` is a word of `dewkeeper.judge.words.JOURNAL`; `until` ends a stage."""

    id: str
    time: int
    enclosure: str | None
    what: str
    detail: str = ""
    who: str = ""
    until: int | None = None
    entered: int | None = None  # when it was typed, if later than `time`
    replaces: str | None = None  # id of the entry this one corrects


@dataclass(frozen=True, slots=True)
class Command:
    """An order to the judge, from page or command line.

    verb: acknowledge, shelve, unshelve, out_of_service, in_service, suppress, unsuppress,
    away (until), back, exclude (probe, since), retire (probe), accept (probe: its sensor belongs there). `alarm` or `enclosure` (or `probe`) say what it is about.
    """

    id: str
    time: int
    verb: str
    who: str
    why: str = ""
    alarm: str | None = None
    enclosure: str | None = None
    probe: str | None = None
    kind: Kind | None = None
    until: int | None = None


@dataclass(frozen=True, slots=True)
class ProbeFacts:
    """What the judge must know of a probe."""

    name: str
    role: Role
    enclosure: str | None = None
    room: str | None = None
    bus: str = ""
    branch: str = ""  # bus, multiplexer and channel: what fails together
    rounded: bool = False
    adapter: str = ""  # the controller, which several buses of the kernel's multiplexers share
    multiplexer: str = ""  # bus and multiplexer


def own_part(probe: str) -> str:
    """Return the name of the part of the wiring that is a probe alone, its plug and its chip."""
    return f"probe {probe}"


def room_place(room: str) -> str:
    """Return what a room is called where otherwise an enclosure stands."""
    return f"room:{room}"


@dataclass(frozen=True, slots=True)
class EnclosureFacts:
    """What the judge must know of an enclosure."""

    name: str
    rack: str
    room: str
    limits: Annotated[Limits, shared]  # as it is read from the store
    stage: str = "adult"
    open_water: bool = True
    heater: bool = True
    levers: tuple[str, ...] = ()
    mesh_near_heat: bool = False
    egg_box: bool = False


@dataclass(frozen=True, slots=True)
class Settings:
    """The configuration as the judge sees it, from `time` on. Replaces the one before; `who` and `why` are logged.

    others: key -> value of everything else in the configuration, secrets left out: it judges nothing, but its changes
    are logged too.
    """

    time: int
    poll_seconds: int
    enclosures: Mapping[str, EnclosureFacts]
    probes: Mapping[str, ProbeFacts]
    stage_limits: Mapping[str, Annotated[Limits, shared]] = field(
        default_factory=dict
    )  # profile name -> limits, for journal stages
    who: str = "configuration"
    why: str = ""
    others: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SaltPoint:
    """One jar of a salt check, %RH at °C: what its air has, what the sensor read, what that was shown as before and is now."""

    salt: str
    temperature_c: float
    reference_percent: float
    read_percent: float
    found_percent: float
    left_percent: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """How the values of one probe are corrected from `time` on; the judge's readings are corrected already.

    uncertainty_percent: expanded (k = 2), of the humidity; None where nobody said. points: the salt check behind it.
    checked: when the humidity was last checked, None where it never was.
    """

    time: int
    probe: str
    temperature_offset_c: float = 0.0
    humidity_offset_percent: float = 0.0
    humidity_gain: float = 1.0
    note: str = ""
    who: str = ""
    checked: int | None = None
    uncertainty_percent: float | None = None
    points: tuple[SaltPoint, ...] = ()

    def corrected(self, temperature_c: float, humidity_percent: float) -> tuple[float, float]:
        """Return decoded °C and %RH as they are believed to be; humidity within 0 to 100."""
        humidity_percent = humidity_percent * self.humidity_gain + self.humidity_offset_percent
        return temperature_c + self.temperature_offset_c, min(100.0, max(0.0, humidity_percent))


Quantity = Literal[
    "drying_hours", "resting_hpa", "misting_hours", "room_share", "room_hours", "usual_peak_c", "heat_period_minutes", "heat_swing_c",
    "heat_c_per_hour", "room_warmth_share", "probe_error_percent", "warm_end_above_c", "hide_above_c", "wall_factor", "exchange_share",
]  # fmt: skip
_UNITS: Final[Mapping[str, str]] = {
    "hours": "h", "hour": "°C/h", "minutes": "min", "hpa": "hPa", "c": "°C", "percent": "%RH", "share": "", "factor": "",
}  # fmt: skip
"""By the last word of a quantity's name."""

LONGEST_FACT_SECONDS: Final = 60 * 86400
"""No fact holds for longer: seasons, bedding and bowls change."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One quantity of an enclosure, with what it rests on; without a value it is withheld, and `why` says why.

    drying_hours: in which what vapour is above its resting level (resting_hpa) falls to 1/e. misting_hours: in which half
    of a misting's rise is gone. room_share: how many hPa the enclosure follows its room by, in the end, for each of the
    room's; room_hours: until two thirds of that. usual_peak_c: what its heat reaches on most days. heat_period_minutes, heat_swing_c: the thermostat's cycle;
    a swing without a period is control in proportion. heat_c_per_hour: how fast it warms while its heat is on. room_warmth_share: by
    how many °C it follows each of its room's from day to day: hardly where a thermostat holds it, by all of it where nothing does.
    probe_error_percent: how much more its judged probe reads than when it was new or last checked, from openings compared
    with the room; `why` beside a value says what of it is likely to go back by itself. warm_end_above_c, hide_above_c: by how
    much that place is warmer than the judged probe. wall_factor: how much of the way from its room's temperature to its air's
    the coolest wall goes (temperature factor of ISO 13788). exchange_share: how much of the air it exchanged with its room
    before its vents were last changed it exchanges since.

    value: in `unit`; low, high: its 95 % interval. decays: undisturbed ones after wetting, of drying quantities; of
    probe_error_percent the openings. days: of readings it was learned from. until: UTC seconds, from which on it is too old.
    """

    quantity: Quantity
    value: float | None = None
    low: float | None = None
    high: float | None = None
    decays: int = 0
    days: int = 0
    until: int = 0
    why: str = ""

    @property
    def unit(self) -> str:
        """Return the unit of the value, as it is written."""
        return _UNITS[self.quantity.rpartition("_")[2]]


@dataclass(frozen=True, slots=True)
class Learned:
    """All that insight knows of an enclosure, or of a room (`room_place`); it takes the place of what was known before: what is not in it is withdrawn.

    version: of the way of learning.
    """

    time: int
    enclosure: str
    facts: tuple[Fact, ...] = ()
    version: int = 1

    def fact(self, quantity: Quantity, at: int) -> Fact | None:
        """Return a fact that holds at a time (UTC seconds), None for one that is withheld, too old or unknown."""
        return next((f for f in self.facts if f.quantity == quantity and f.value is not None and at < f.until), None)


@dataclass(frozen=True, slots=True)
class Rebase:
    """The wall clock was stepped: from here on times are `step_seconds` larger (or smaller) than elapsed time says.

    A step of nothing says that the process has begun: until now nobody polled.
    dates_since: what was stamped from this second on is dated by the step as well, for the clock was in doubt till now.
    """

    time: int
    step_seconds: int
    dates_since: int | None = None


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passed. Timers due are fired; nothing else."""

    time: int


@dataclass(frozen=True, slots=True)
class SystemReport:
    """What the service knows of itself: `what` is or is no longer in trouble (disk, channel, clock, bus ...).

    part: the part of the wiring it is about, named as in `ProbeFacts`. Such trouble is no alarm of its own: it is told as
    the cause when the probes of that part have been silent for long enough; of a probe that was never heard at once.
    response, action: what to do about it, the latter in a few words, where that is known. consequence: if nothing is done.
    site: the other site whose trouble it is, by name; `what` then ends in "of" and that name. lasted: seconds for which it had been so by then.
    """

    time: int
    what: str
    trouble: bool
    text: str = ""
    priority: Priority = "medium"
    part: str = ""
    response: str = ""
    action: str = ""
    consequence: str = ""
    site: str = ""
    lasted: int = 0


Item = Reading | JournalEntry | Command | Settings | Calibration | Learned | Rebase | Tick | SystemReport


@dataclass(frozen=True, slots=True)
class Quality:
    """The verdict on one reading: QARTOD flag and the names of the tests that set it."""

    time: int
    probe: str
    flag: int
    tests: tuple[str, ...] = ()

    @property
    def counts(self) -> bool:
        """Whether the reading may move a minimum, a mean or a timer."""
        return self.flag in (PASS, NOT_EVALUATED)

    @property
    def temperature_counts(self) -> bool:
        """Whether its temperature may: what is inferred of a probe takes its humidity away, never its temperature."""
        return self.counts or (self.flag == SUSPECT and bool(self.tests) and SUSPECT_WHOLE.isdisjoint(self.tests))


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A fault diagnosed late: readings of the probe from `since` to `until` are excluded and their roll-ups rebuilt."""

    probe: str
    since: int
    until: int
    tests: tuple[str, ...]
    flag: int = FAIL


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to an alarm. `id` and `alarm` follow from the inputs alone and never change.

    since: when the condition began, for a probe fault the time from which readings are not believed.
    within_seconds: time to respond. value and limit are in the unit of the kind (%RH or °C).
    """

    id: str
    alarm: str
    time: int
    event: Happening
    kind: Kind
    enclosure: str | None
    probe: str | None
    band: Band | None
    priority: Priority
    state: State
    since: int
    cause: str = ""
    consequence: str = ""
    response: str = ""
    within_seconds: int = 0
    value: float | None = None
    limit: float | None = None
    who: str = ""
    why: str = ""
    detail: Mapping[str, str | float | int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alarm:
    """A standing alarm, as the judge sees it now; `detail` of an excursion holds its minutes and dose beyond so far.

    raised: when it was told first. asked: when it was last told as new or as worse, 0 where an older version did not note
    it; the time to respond counts from there.
    """

    alarm: str
    kind: Kind
    enclosure: str | None
    probe: str | None
    band: Band | None
    priority: Priority
    state: State
    since: int
    raised: int
    latched: bool = False
    shelved_until: int | None = None
    value: float | None = None
    limit: float | None = None
    cause: str = ""
    consequence: str = ""
    response: str = ""
    within_seconds: int = 0
    detail: Mapping[str, str | float | int] = field(default_factory=dict)
    asked: int = 0

    @property
    def respond_by(self) -> int | None:
        """Until when it is to be answered, UTC seconds; None where there is no hurry. The one deadline everybody is told."""
        return (self.asked or self.raised) + self.within_seconds if self.within_seconds else None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one item led to, in order."""

    quality: tuple[Quality, ...] = ()
    events: tuple[Event, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()


NOTHING = Verdict()
