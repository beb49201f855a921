"""What the judge remembers: one `State`, with a `Watch` per probe, a `Tub` per enclosure and a `Room` per room.

All times inside are elapsed seconds: stored time minus the steps of the wall clock so far.
"""

from __future__ import annotations

import heapq
from typing import Final

from dewkeeper.judge.book import Book
from dewkeeper.judge.codec import remembered
from dewkeeper.judge.limits import Run, Side
from dewkeeper.judge.past import Past
from dewkeeper.judge.types import (
    EnclosureFacts,
    Exclusion,
    Fact,
    Kind,
    Learned,
    ProbeFacts,
    Quantity,
    Settings,
    SystemReport,
)
from dewkeeper.judge.usual import Usual
from dewkeeper.judge.words import JOURNAL
from dewkeeper_config.models import Delays, HumiditySpan, Limits, TemperatureSpan

for _class in (
    EnclosureFacts,
    ProbeFacts,
    Settings,
    Fact,
    Learned,
    Limits,
    SystemReport,
    Delays,
    HumiditySpan,
    TemperatureSpan,
):
    remembered(_class)

NEVER: Final = -(10**12)
"""An elapsed time before everything."""

NEVER_JUMPED: Final = -1.0
"""In place of a vapour pressure: it did not jump."""

BEFORE_SECONDS: Final = 600
"""What was so for longer than this before a deed is not explained by it."""
_DEEDS_ASKED: Final = 8
"""The last so many deeds, of an hour or two."""
_BREAKS_KEPT: Final = 12
_BREAKS_KEPT_SECONDS: Final = 2 * 86400


_NO_PAIR: Final = -999.0


def own_part(probe: str) -> str:
    """Return the name of the part of the wiring that is a probe alone, its plug and its chip."""
    return f"probe {probe}"


Correction = tuple[int, float, float, float]
"""Since when (elapsed seconds), °C and %RH added, and what the humidity is multiplied by first."""
UNCORRECTED: Final[Correction] = (NEVER, 0.0, 0.0, 1.0)


@remembered
class Watch:
    """One probe.

    last: any poll; live: last poll with values; seen: last counted reading, whose values are t, h, e.
    slow_t, slow_e: their means over about a thermostat cycle. t_low ... h_high: the quiet box; while a reading lies in it
    and nothing runs (`busy`), no side needs a look. pend_*: a suspect reading that waits for the next to agree.
    pair_*, flat: the last values and how often they repeated; pairs, repeats: how often that happens on its own.
    faults: kind -> [since, good since or -1, when the sensor itself last said so]; ended: kind -> when the last of its kind was over;
    returns: kind -> how often in a row it was back within hours of that; places: kind -> the place its alarm is kept under.
    past: the last day. opened, misted: when the air last showed it; open_e and low_e: vapour before and after.
    near_since: since when it reads the room's air, near_sudden: whether that came at once; far_at, far_looks: when it was
    last far from it, and looks since. open_low: the lowest temperature of the day before an opening. usual: what is usual of its heat;
    climbs: looks in a row at which it climbed past that; cool_since: since when its heat is gone, coldest: what it fell to.
    restarted: when it said so, until it is known whether others did too. heater_from: the temperature before its own heater
    began. breaks: when it was last disturbed, by a hand, a jump or a gap. room_runs: of a room's probe, its heat, cold and dryness over time. stranger: the note of a sensor that is
    not the position's own, while it has one. rubbish: when it last gave what no air does, five times at most. retired: since
    when the keeper wants nothing of it believed. wiring: the parts of the wiring it hangs on, the widest first.
    jumped_from: of a room's probe that rose while no tub did, the vapour before, hPa.
    heading_first, heading_last: since when and until when its humidity was seen to fall as no air does.
    """

    __slots__ = (
        "breaks", "busy", "climbs", "coldest", "cool_since", "crc", "crc_since", "e", "enclosure", "ended", "far_at", "far_looks", "faults",
        "fell_by", "flat", "flat_since", "h", "h_high", "h_low", "heading_first", "heading_last", "heater_from", "jumped_from", "last", "live", "look_at", "low_at",
        "low_e", "misted", "name", "near_since", "near_sudden", "open_e", "open_low", "open_t", "opened", "pair_h", "pair_t",
        "pairs", "past", "pend_at", "pend_h", "pend_t", "place", "places", "repeats", "restarted", "restored", "retired", "returns", "role", "room",
        "room_runs", "rounded", "rubbish", "seen", "sides", "slow_e", "slow_t", "stranger", "t", "t_high", "t_low", "usual", "wet_since", "wiring",
    )  # fmt: skip

    def __init__(self, facts: ProbeFacts, now: int) -> None:
        self.adopt(facts)
        self.sides: list[Side] = []
        self.t_low = self.h_low = -1e9
        self.t_high = self.h_high = 1e9
        self.busy = False
        self.last = NEVER
        self.live = now
        self.seen = NEVER
        self.t = self.h = self.e = 0.0
        self.slow_t = self.slow_e = 0.0
        self.pend_at = NEVER
        self.pend_t = self.pend_h = 0.0
        self.pair_t = self.pair_h = _NO_PAIR
        self.flat = 0
        self.flat_since = 0
        self.pairs = 0
        self.repeats = 0
        self.rubbish: list[int] = []
        self.crc = 0
        self.crc_since = 0
        self.wet_since = NEVER
        self.faults: dict[Kind, list[int]] = {}
        self.ended: dict[str, int] = {}
        self.returns: dict[str, int] = {}
        self.places: dict[str, str] = {}
        self.past = Past()
        self.look_at = NEVER
        self.misted = self.opened = self.low_at = NEVER
        self.open_e = self.open_t = self.open_low = self.low_e = self.fell_by = 0.0
        self.near_sudden = False
        self.breaks: list[int] = []
        self.room_runs: list[Run] = []
        self.far_at = NEVER
        self.far_looks = 0
        self.restored = True
        self.near_since = self.cool_since = NEVER
        self.climbs = 0
        self.coldest = 0.0
        self.restarted = NEVER
        self.usual = Usual()
        self.heater_from = 0.0
        self.jumped_from = NEVER_JUMPED
        self.heading_first = self.heading_last = NEVER
        self.stranger = ""
        self.retired = NEVER

    def adopt(self, facts: ProbeFacts) -> None:
        """Take what the configuration says of the probe."""
        self.name = facts.name
        self.role = facts.role
        self.enclosure = facts.enclosure
        self.room = facts.room or ""
        self.place = facts.enclosure or f"room:{facts.room}"
        self.rounded = facts.rounded
        parts = (facts.adapter, facts.bus, facts.multiplexer, facts.branch)
        self.wiring = tuple(dict.fromkeys(part for part in parts if part))

    @property
    def heard(self) -> bool:
        """Whether it ever gave values, believed or not: one that never did is wired wrong rather than lost."""
        return self.pair_t > _NO_PAIR

    @property
    def parts(self) -> tuple[str, ...]:
        """Return what may be at fault when it is silent: itself first, then the narrowest part of the wiring."""
        return (own_part(self.name), *reversed(self.wiring))

    def disturbed(self, now: int) -> None:
        """Remember that something was done to it, or nothing was read of it for a while.

        Where too much is remembered, that goes which came soonest after another: a thermostat in a new place makes a row
        of them, and what began the row is what somebody did.
        """
        if self.breaks and now - self.breaks[-1] < 1200:
            return
        self.breaks = [*self.breaks, now]
        if len(self.breaks) > _BREAKS_KEPT:
            nearest = min(range(1, len(self.breaks)), key=lambda i: self.breaks[i] - self.breaks[i - 1])
            self.breaks = [at for i, at in enumerate(self.breaks) if i != nearest and now - at < _BREAKS_KEPT_SECONDS]

    def forget(self) -> None:
        """Begin anew what was usual for this probe: it, or the heat, is not what it was."""
        self.pairs = self.repeats = self.flat = 0
        self.past = Past()
        self.usual = Usual()

    def box(self) -> None:
        """Recompute the quiet box from the sides."""
        self.t_low = self.h_low = -1e9
        self.t_high = self.h_high = 1e9
        for side in self.sides:
            limit = side.sign * side.runs()[0].limit
            if side.kind == "dry":
                self.h_low = limit
            elif side.kind == "damp":
                self.h_high = limit
            elif side.kind == "hot":
                self.t_high = limit
            else:
                self.t_low = limit
        self.busy = any(side.busy for side in self.sides)


@remembered
class Tub:
    """One enclosure: the stage it is in, until when (-1: none), and what the keeper did, newest last."""

    __slots__ = ("deeds", "name", "stage", "stage_until")

    def __init__(self, name: str) -> None:
        self.name = name
        self.stage = ""
        self.stage_until = -1
        self.deeds: list[tuple[int, str, str, int]] = []  # time, id, word, until


@remembered
class State:
    """Everything. `heap`: (due, kind of timer, key) of timers; `due`: the first of them. `rooms`: room -> its probe.

    started, begun: since when anything is judged, and since when this process runs. changes: logged changes so far, for their ids. sick: part of the wiring, or of it a
    single probe -> why nothing is read there.
    corrections: how the readings of a probe, as they arrive, are corrected already.
    """

    __slots__ = (
        "begun", "book", "changes", "corrections", "due", "exclusions", "heap", "hold", "learned", "now", "poll", "rooms", "settings", "shift", "sick",
        "stage_deeds", "started", "tubs", "watches",
    )  # fmt: skip

    def __init__(self) -> None:
        self.settings: Settings | None = None
        self.changes = 0
        self.book = Book()
        self.watches: dict[str, Watch] = {}
        self.tubs: dict[str, Tub] = {}
        self.stage_deeds: list[tuple[str, int, str, str, int, str]] = []  # id, then a StageDeed
        self.rooms: dict[str, str] = {}
        self.sick: dict[str, SystemReport] = {}
        self.corrections: dict[str, Correction] = {}
        self.learned: dict[str, Learned] = {}
        self.heap: list[tuple[int, str, str]] = []
        self.due = 10**15
        self.now = NEVER
        self.poll = 60
        self.hold = 180
        self.shift = 0
        self.started = self.begun = NEVER
        self.exclusions: list[Exclusion] = []

    def set_timer(self, due: int, what: str, key: str) -> None:
        """Have a timer fire at an elapsed time. Asking twice is harmless."""
        entry = (due, what, key)
        if entry not in self.heap:
            heapq.heappush(self.heap, entry)
            self.due = self.heap[0][0]

    def pop_timer(self) -> tuple[int, str, str]:
        """Take the timer due first."""
        entry = heapq.heappop(self.heap)
        self.due = self.heap[0][0] if self.heap else 10**15
        return entry

    def known(self, enclosure: str | None, quantity: Quantity, now: int) -> float | None:
        """Return what was learned of an enclosure and still holds at an elapsed time, in the quantity's unit."""
        learned = self.learned.get(enclosure or "")
        fact = None if learned is None else learned.fact(quantity, now + self.shift)
        return None if fact is None else fact.value

    def beyond_before(self, enclosure: str, kind: str, at: int) -> bool:
        """Return whether a probe of an enclosure read beyond tolerable on this side well before a time, whatever was believed of it."""
        sides = (side for watch in self.watches_of(enclosure) for side in watch.sides if side.kind == kind)
        return any(0 <= side.beyond_since < at - BEFORE_SECONDS for side in sides)

    def touched(self, enclosure: str | None, since: int) -> bool:
        """Return whether somebody noted to have been at an enclosure or its probe since a time."""
        tub = self.tubs.get(enclosure or "")
        if tub is None or not tub.deeds or tub.deeds[-1][0] < since:
            return False
        return any(
            at >= since and (JOURNAL[what].opens or JOURNAL[what].probe) for at, _, what, _ in tub.deeds[-_DEEDS_ASKED:]
        )

    def wiped(self, enclosure: str | None, since: int) -> bool:
        """Return whether somebody noted to have dried the probe of an enclosure since a time."""
        tub = self.tubs.get(enclosure or "")
        return tub is not None and any(
            at >= since and what == "probe_wiped" for at, _, what, _ in tub.deeds[-_DEEDS_ASKED:]
        )

    def watches_of(self, enclosure: str) -> list[Watch]:
        """Return the judged probes of an enclosure."""
        return [w for w in self.watches.values() if w.enclosure == enclosure and w.role == "substrate"]
