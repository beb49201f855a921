"""Limits over time: when being beyond one becomes an alarm, and when it is over.

The semantics are those of an exclusive limit alarm (OPC UA Part 9 v1.05, 5.8 and B.1.5): on-delay, off-delay,
deadband. One thing is added, because a thermostat makes the humidity swing by several points every twenty minutes
while the water in the air hardly changes: **a return counts only when the slow value returns too**. The slow
humidity is the vapour pressure, averaged over about one thermostat cycle (an exponential mean of 20 min), referred to
the temperature averaged the same way. So a tub that dries through the limit while the thermostat carries it across
and back makes one run; a tub whose swings graze the limit, mean inside, makes none.

Of a cycle of an hour and more the mean of 20 min keeps half, and would return with every one. So a return does not count
either while **the mean over whole cycles** is clearly beyond (`Past.cycle_percent`), unless the slow value is well inside,
by two deadbands, as after a misting. What was carried across a return like that is told once half the looks of an
on-delay, and of a whole cycle, were beyond. That mean is late, therefore it can hold a run but not begin one.

What it costs: nothing when the humidity goes beyond the limit and stays, for then the run starts with the first
reading beyond. Only when a thermostat carries it across the limit and back does it cost anything: then a run can start
only when the slow value is about to cross, which it does up to one mean (20 min) after the true mean, and the alarm waits
for a reading that is itself beyond, up to half a cycle. `CYCLE_COST_SECONDS` is both for cycles of about an hour at most,
70 min, counted from when the mean is 1 %RH beyond; `SLOW_CYCLE_COST_SECONDS` for cycles of up to 100 min, 2.5 h.

A gap of up to three polls is no break. A longer one holds the run: it neither grows nor ends.

What is believed of a probe may hold an excursion back, exclude its readings or begin its run anew, and may be wrong. So
beyond tolerable is timed twice: once more on the readings **as read**, whatever is believed of them (`Side.read`). That
run nothing ends but readings back inside, and what it finds after `DOUBT_SECONDS` more is told, in doubt (`hold_off`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, Literal

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.probe_past import CYCLE_SECONDS, ProbePast
from dewkeeper.judge.types import Figures, Kind
from dewkeeper_config.models import Limits

SLOW_SECONDS: Final = 1200.0
"""Time constant of the slow mean: about one thermostat cycle."""

CYCLE_COST_SECONDS: Final = 4200
"""How much later than its on-delay an excursion can be found when a thermostat carries it across the limit."""
SLOW_CYCLE_COST_SECONDS: Final = 9000
"""The same of a thermostat whose cycle takes more than about an hour."""

Doubtable = Literal["dry", "damp", "cold"]
"""What may be held back for a while. Heat is not among them: no table of what holds can name it."""

DOUBT_SECONDS: Final[Mapping[Doubtable, int]] = {"dry": 12 * 3600, "damp": 24 * 3600, "cold": 3600}
"""By so much more than its on-delay, at most, an excursion beyond tolerable may be doubted; by the time to harm (DEVELOPERS.md, What the judge holds back)."""

_CALM_SECONDS: Final = 1200.0  # past the deadband for a whole cycle is a return, whatever the mean says
_CLEARLY_PERCENT: Final = 0.5
"""As much as what swings of 5 %RH leave in the mean over cycles."""
_HALF: Final = 0.5
_CHATTER_SECONDS: Final = 2 * 3600.0
_LONGEST_OFF_SECONDS: Final = 2 * 3600.0
"""A share, and a chattering alarm (ISA-18.2) damped by its off-delay: seconds tuned on bench, seeds 1-9."""


@remembered
class LimitRun:
    """One limit on one side, for one probe. Values are signed so that beyond always means below.

    sign: by which the readings were made so. plain: a reading past the limit is a return, whatever the slow value says.
    seconds: how long beyond, -1 when not; what is an alarm runs on. since: elapsed time of the first reading beyond. active: the
    on-delay passed. beyond, dose: seconds beyond since then, and by how much, in unit times seconds. carried: across a return
    that only the mean over cycles denied.
    An alarm that returns within two hours of clearing doubles its off-delay, up to two hours: flapping becomes one
    alarm that stands instead of many that come and go.
    """

    limit: float
    delay: float
    deadband: float
    off: float
    slack: float = 0.0
    samples: int = 1
    plain: bool = False
    sign: float = 1.0
    seconds: float = -1.0
    beyond: float = 0.0
    dose: float = 0.0
    since: int = 0
    count: int = 0
    calm: float = -1.0
    back: float = -1.0
    active: bool = False
    carried: bool = False
    cleared: int = -1
    off_now: float = 0.0

    def go_on(self, new: LimitRun) -> LimitRun:
        """Take new settings, those of a run that has not begun; what has run so far is kept."""
        self.limit, self.delay, self.deadband, self.off = new.limit, new.delay, new.deadband, new.off
        self.slack, self.samples = new.slack, new.samples
        # One that flaps keeps its longer off-delay: other limits make it no calmer.
        self.off_now = max(self.off_now, self.off) if self.active else self.off
        return self

    def step(self, value: float, slow: float, seconds: float, now: int, past: ProbePast | None = None) -> int:
        """Take one counted reading, `seconds` after the one before (0: hold); return 1 raised, -1 cleared, 0 neither.

        past: of the humidity, where a thermostat may carry it.
        """
        if value < self.limit and self.seconds >= 0:
            self.beyond += seconds
            self.dose += (self.limit - value) * seconds
        if self.active:
            return self._return(value, slow, seconds, now, past)
        if value < self.limit:
            if self.seconds < 0:
                self._begin(now)
            else:
                self.seconds += seconds
                self.count += 1
            self.calm = -1.0
            if self.seconds >= self.delay and self.count >= self.samples:
                if self.carried and not self._mostly_beyond(now, past):
                    return 0
                self.activate(now)
                return 1
        elif self.seconds >= 0:
            self._inside(value, slow, seconds, now, past)
        return 0

    def _return(self, value: float, slow: float, seconds: float, now: int, past: ProbePast | None) -> int:
        """Take a reading of what is an alarm already; return -1 when it has been back for its off-delay."""
        far = value >= self.limit + self.deadband and slow >= self.limit
        if not far or (self.carried and self._held(slow, now, past)):
            self.back = -1.0
            return 0
        self.back = 0.0 if self.back < 0 else self.back + seconds
        if self.back < self.off_now:
            return 0
        self.drop()
        self.cleared = now
        return -1

    def _inside(self, value: float, slow: float, seconds: float, now: int, past: ProbePast | None) -> None:
        """Take a reading inside the limit while the on-delay runs: is it a return, or a thermostat's?"""
        if self.plain or slow >= self.limit + self.slack:
            if self._held(slow, now, past):
                self.carried = True
                self.seconds += seconds
            else:
                self.seconds = -1.0
        elif value >= self.limit + self.deadband:
            self.calm = 0.0 if self.calm < 0 else self.calm + seconds
            self.seconds = -1.0 if self.calm > _CALM_SECONDS else self.seconds + seconds
        else:
            self.calm = -1.0
            self.seconds += seconds

    def _begin(self, now: int) -> None:
        """The first reading beyond came."""
        self.seconds, self.since, self.count = 0.0, now, 1
        self.beyond = self.dose = 0.0
        self.carried = False

    def _mostly_beyond(self, now: int, past: ProbePast | None) -> bool:
        """Return whether half the looks, of an on-delay and of a whole cycle, were beyond."""
        if past is None:
            return False
        for span in (self.delay, max(self.delay, CYCLE_SECONDS)):
            beyond = [self.sign * percent < self.limit for _, percent in past.percents(now - span)]
            if sum(beyond) < _HALF * max(1, len(beyond)):
                return False
        return True

    def _held(self, slow: float, now: int, past: ProbePast | None) -> bool:
        """Return whether a return may be a thermostat's: the mean over cycles is clearly beyond, and the slow value not well inside."""
        if past is None or slow >= self.limit + 2 * self.deadband:
            return False
        mean = past.cycle_percent(now)
        return mean is not None and self.sign * mean < self.limit - _CLEARLY_PERCENT

    def activate(self, now: int) -> None:
        """The condition is an alarm from now on."""
        if self.seconds < 0:
            self._begin(now)
        self.active, self.back = True, -1.0
        again = self.cleared >= 0 and now - self.cleared < _CHATTER_SECONDS
        self.off_now = min(max(self.off, self.off_now * 2), _LONGEST_OFF_SECONDS) if again else self.off

    def put_off(self, seconds: int) -> None:
        """It is due but doubtful: not active yet, and due again after so many seconds."""
        self.active, self.back = False, -1.0
        self.seconds = max(0.0, min(self.seconds, self.delay - seconds))

    def restart(self) -> None:
        """Forget what ran: the readings it rested on are not believed. An active alarm stays."""
        if not self.active:
            self.seconds = -1.0
        self.back = -1.0

    def drop(self) -> None:
        """Forget what ran, an alarm too: the readings it rested on are not believed."""
        self.active = False
        self.restart()


@remembered
class Side:
    """One kind of excursion of one probe: the run beyond target (dry, damp) and the one beyond tolerable.

    read: beyond tolerable on the readings as read, with the bound of doubt in its delay; heat has none, for nothing holds
    it. level: 0 none, 1 beyond target, 2 beyond tolerable; for hot 1 is beyond tolerable and 2 is danger.
    busy: whether anything ran or stood here after the last reading; a new one is taken as busy until its first.
    """

    kind: Kind
    sign: float
    thermal: bool
    inner: LimitRun | None
    outer: LimitRun
    read: LimitRun | None = None
    level: int = 0
    busy: bool = True

    def go_on(self, before: Side) -> None:
        """What ran and stood under other limits goes on under these."""
        self.level = before.level
        self.outer = before.outer.go_on(self.outer)
        if self.inner is not None and before.inner is not None:
            self.inner = before.inner.go_on(self.inner)
        if self.read is not None and before.read is not None:
            self.read = before.read.go_on(self.read)

    def step(
        self,
        value: float,
        slow: float,
        seconds: float,
        now: int,
        past: ProbePast | None,
        believed: bool,
        touched: bool,
    ) -> int:
        """Take one counted reading and return the level now; past: of the humidity, where a thermostat may carry it.

        touched: a hand was at the probe lately, and may be why it reads what it does: as read, nothing is over by that.
        """
        value *= self.sign
        slow *= self.sign
        outer, inner, read = self.outer, self.inner, self.read
        if read is not None and (value < read.limit or (read.seconds >= 0 and (read.active or not touched))):
            read.step(value, slow, seconds, now, past)
        if believed:
            raised = outer.step(value, slow, seconds, now, past)
            if inner is not None:
                inner.step(value, slow, seconds, now, past)
                # Beyond tolerable is beyond target too: back inside the one, it still stands, milder.
                if raised == 1 and not inner.active:
                    inner.activate(now)
        self.busy = (
            outer.seconds >= 0 or (inner is not None and inner.seconds >= 0) or (read is not None and read.seconds >= 0)
        )
        if outer.active or (read is not None and read.active and (self.level == 2 or value < read.limit)):
            return 2  # what is already back inside is not told any more
        return 1 if inner is not None and inner.active else 0

    @property
    def milder(self) -> LimitRun:
        """The run that is passed first: beyond target, where there is one."""
        return self.inner or self.outer

    @property
    def limit(self) -> float:
        """The limit that is passed first, °C or %RH."""
        return self.sign * self.milder.limit

    @property
    def due(self) -> LimitRun:
        """The run that is being told: the outer one where both are beyond."""
        return self.inner if self.inner is not None and self.inner.active and not self.outer.active else self.outer

    @property
    def beyond_since(self) -> int:
        """Elapsed time since which the readings, as read, are beyond tolerable; -1 when they are not."""
        run = self.read or self.milder
        return run.since if run.seconds >= 0 else -1

    def put_off(self, seconds: int) -> None:
        """What would raise the level above what it is waits for so many seconds."""
        for run in self.runs() if self.level == 0 else (self.outer,):
            if run.active:
                run.put_off(seconds)

    def measure(self, level: int) -> Figures:
        """Return minutes beyond the limit of a level so far, and the dose: %RH times hours, or °C times hours."""
        run = self.milder if level < 2 else self.outer if self.outer.active or self.read is None else self.read
        unit = "celsius" if self.thermal else "percent"
        return {"beyond_minutes": round(run.beyond / 60), f"dose_{unit}_hours": round(run.dose / 3600, 2)}

    def drop(self, level: int = 0) -> None:
        """Forget what lies above a level, an alarm too: what it rested on is not believed."""
        self.level = level
        for run in self.runs() if level == 0 else (self.outer,):
            run.drop()

    def restart(self) -> None:
        """Forget what runs, as read too; what is an alarm stays."""
        for run in (*self.runs(), self.read):
            if run is not None:
                run.restart()

    def end(self) -> None:
        """Forget everything: the keeper wants nothing of these readings believed."""
        self.drop()
        if self.read is not None:
            self.read.drop()

    def runs(self) -> tuple[LimitRun, ...]:
        """Return the runs of this side on believed readings, the outer last."""
        return (self.outer,) if self.inner is None else (self.inner, self.outer)


def sides_for(limits: Limits, old: Sequence[Side] = ()) -> list[Side]:
    """Return the four sides these limits make; runs of `old` go on under the new limits."""
    d, target, tolerable = limits.delays, limits.humidity_target, limits.humidity_tolerable
    off, warmth = d.off_minutes * 60.0, d.temperature_deadband

    def wet(sign: float, limit: float, minutes: float) -> LimitRun:
        return LimitRun(sign * limit, minutes * 60.0, d.humidity_deadband, off, 0.3, sign=sign)

    def hot(limit: float, samples: int) -> LimitRun:
        return LimitRun(-limit, 0.0, warmth, off, samples=samples, plain=True, sign=-1.0)

    def side(kind: Doubtable, thermal: bool, inner: LimitRun | None, outer: LimitRun) -> Side:
        read = replace(outer, delay=outer.delay + DOUBT_SECONDS[kind])
        return Side(kind, outer.sign, thermal, inner, outer, read)

    heat, cold = limits.temperature_tolerable, d.cold_minutes * 60.0
    made = [
        side("dry", False, wet(1.0, target.low, d.dry_target_minutes), wet(1.0, tolerable.low, d.dry_tolerable_minutes)),
        side("damp", False, wet(-1.0, target.high, d.damp_target_minutes), wet(-1.0, tolerable.high, d.damp_tolerable_minutes)),
        # Danger needs two whatever is set for the other: one may be a slip, and a third would be a minute late.
        Side("hot", -1.0, True, hot(heat.high, d.hot_samples), hot(limits.temperature_danger, 2)),
        side("cold", True, None, LimitRun(heat.low, cold, warmth, off, 0.1)),
    ]  # fmt: skip
    for new, before in zip(made, old, strict=False):
        new.go_on(before)
    return made
