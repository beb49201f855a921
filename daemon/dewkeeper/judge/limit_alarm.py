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

from collections.abc import Mapping
from typing import Final, Literal

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.probe_past import CYCLE_SECONDS, ProbePast
from dewkeeper.judge.types import Kind
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


class Cycles:
    """The humidity over whole cycles of a slow thermostat, signed as a side's values are; looked up only when asked."""

    __slots__ = ("_now", "_past", "_sign")

    def __init__(self, past: ProbePast, sign: float, now: int) -> None:
        self._past, self._sign, self._now = past, sign, now

    def mean(self) -> float:
        """Return the mean, inside every limit where too little is known."""
        percent = self._past.cycle_percent(self._now)
        return self._sign * percent if percent is not None else float("inf")

    def share(self, limit: float, seconds: float) -> float:
        """Return the share of the looks of the last seconds that lie beyond a limit."""
        beyond = [self._sign * percent < limit for _, percent in self._past.percents(self._now - seconds)]
        return sum(beyond) / max(1, len(beyond))


@remembered
class LimitRun:
    """One limit on one side, for one probe. Values are signed so that beyond always means below.

    seconds: how long beyond, -1 when not. since: elapsed time of the first reading beyond. active: the on-delay passed.
    beyond, dose: seconds beyond since then, and by how much, in unit times seconds. carried: across a return that only the
    mean over cycles denied.
    An alarm that returns within two hours of clearing doubles its off-delay, up to two hours: flapping becomes one
    alarm that stands instead of many that come and go.
    """

    __slots__ = (
        "active", "back", "beyond", "calm", "carried", "cleared", "count", "deadband", "delay", "dose", "limit", "off", "off_now", "plain", "samples",
        "seconds", "since", "slack",
    )  # fmt: skip

    def __init__(
        self,
        limit: float,
        delay: float,
        deadband: float,
        off: float,
        *,
        samples: int = 1,
        plain: bool = False,
        slack: float,
    ) -> None:
        self.seconds = -1.0
        self.beyond = self.dose = 0.0
        self.since = 0
        self.count = 0
        self.calm = -1.0
        self.back = -1.0
        self.active = False
        self.carried = False
        self.cleared = -1
        self.off_now = off
        self.set(limit, delay, deadband, off, samples=samples, plain=plain, slack=slack)

    def set(
        self,
        limit: float,
        delay: float,
        deadband: float,
        off: float,
        *,
        samples: int,
        plain: bool,
        slack: float,
    ) -> None:
        """Take new settings; what has run so far is kept."""
        self.limit, self.delay, self.deadband, self.off = limit, delay, deadband, off
        self.samples, self.plain, self.slack = samples, plain, slack
        self.off_now = max(self.off_now, off) if self.active else off

    def step(self, value: float, slow: float, seconds: float, now: int, cycles: Cycles | None = None) -> int:
        """Take one counted reading, `seconds` after the one before (0: hold); return 1 raised, -1 cleared, 0 neither."""
        if value < self.limit and self.seconds >= 0:
            self.beyond += seconds
            self.dose += (self.limit - value) * seconds
        if self.active:
            return self._return(value, slow, seconds, now, cycles)
        if value < self.limit:
            if self.seconds < 0:
                self._begin(now)
            else:
                self.seconds += seconds
                self.count += 1
            self.calm = -1.0
            if self.seconds >= self.delay and self.count >= self.samples:
                if self.carried and not self._mostly_beyond(cycles):
                    return 0
                self.activate(now)
                return 1
        elif self.seconds >= 0:
            self._inside(value, slow, seconds, cycles)
        return 0

    def _return(self, value: float, slow: float, seconds: float, now: int, cycles: Cycles | None) -> int:
        """Take a reading of what is an alarm already; return -1 when it has been back for its off-delay."""
        far = value >= self.limit + self.deadband and slow >= self.limit
        if not far or (self.carried and self._held(slow, cycles)):
            self.back = -1.0
            return 0
        self.back = 0.0 if self.back < 0 else self.back + seconds
        if self.back < self.off_now:
            return 0
        self.active = False
        self.seconds = self.back = -1.0
        self.cleared = now
        return -1

    def _inside(self, value: float, slow: float, seconds: float, cycles: Cycles | None) -> None:
        """Take a reading inside the limit while the on-delay runs: is it a return, or a thermostat's?"""
        if self.plain or slow >= self.limit + self.slack:
            if self._held(slow, cycles):
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

    def _mostly_beyond(self, cycles: Cycles | None) -> bool:
        """Return whether half the looks, of an on-delay and of a whole cycle, were beyond."""
        spans = (self.delay, max(self.delay, CYCLE_SECONDS))
        return cycles is not None and all(cycles.share(self.limit, span) >= _HALF for span in spans)

    def _held(self, slow: float, cycles: Cycles | None) -> bool:
        """Return whether a return may be a thermostat's: the mean over cycles is clearly beyond, and the slow value not well inside."""
        if cycles is None or slow >= self.limit + 2 * self.deadband:
            return False
        return cycles.mean() < self.limit - _CLEARLY_PERCENT

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


@remembered
class Side:
    """One kind of excursion of one probe: the run beyond target (dry, damp) and the one beyond tolerable.

    read: beyond tolerable on the readings as read, with the bound of doubt in its delay; heat has none, for nothing holds
    it. level: 0 none, 1 beyond target, 2 beyond tolerable; for hot 1 is beyond tolerable and 2 is danger.
    """

    __slots__ = ("inner", "kind", "level", "outer", "read", "sign", "thermal")

    def __init__(
        self, kind: Kind, sign: float, thermal: bool, inner: LimitRun | None, outer: LimitRun, read: LimitRun | None
    ) -> None:
        self.kind: Kind = kind
        self.sign = sign
        self.thermal = thermal
        self.inner = inner
        self.outer = outer
        self.read = read
        self.level = 0

    def step(
        self,
        value: float,
        slow: float,
        seconds: float,
        now: int,
        past: ProbePast | None = None,
        believed: bool = True,
        touched: bool = False,
    ) -> int:
        """Take one counted reading and return the level now; past: of the humidity, where a thermostat may carry it.

        touched: a hand was at the probe lately, and may be why it reads what it does: as read, nothing is over by that.
        """
        value *= self.sign
        slow *= self.sign
        outer, inner, read = self.outer, self.inner, self.read
        cycles = Cycles(past, self.sign, now) if past is not None else None
        if read is not None and (value < read.limit or (read.seconds >= 0 and (read.active or not touched))):
            read.step(value, slow, seconds, now, cycles)
        if believed:
            raised = outer.step(value, slow, seconds, now, cycles)
            if inner is not None:
                inner.step(value, slow, seconds, now, cycles)
                if raised == 1 and not inner.active:
                    inner.activate(now)
        if outer.active or (read is not None and read.active and (self.level == 2 or value < read.limit)):
            return 2  # what is already back inside is not told any more
        return 1 if inner is not None and inner.active else 0

    @property
    def due(self) -> LimitRun:
        """The run that is being told: the outer one where both are beyond."""
        return self.inner if self.inner is not None and self.inner.active and not self.outer.active else self.outer

    @property
    def beyond_since(self) -> int:
        """Elapsed time since which the readings, as read, are beyond tolerable; -1 when they are not."""
        run = self.read or self.runs()[0]
        return run.since if run.seconds >= 0 else -1

    def put_off(self, seconds: int) -> None:
        """What would raise the level above what it is waits for so many seconds."""
        for run in self.runs() if self.level == 0 else (self.outer,):
            if run.active:
                run.put_off(seconds)

    def measure(self, level: int) -> dict[str, str | float | int]:
        """Return minutes beyond the limit of a level so far, and the dose: %RH times hours, or °C times hours."""
        run = self.runs()[0] if level < 2 else self.outer if self.outer.active or self.read is None else self.read
        unit = "celsius" if self.thermal else "percent"
        return {"beyond_minutes": round(run.beyond / 60), f"dose_{unit}_hours": round(run.dose / 3600, 2)}

    def drop(self, level: int = 0) -> None:
        """Forget what lies above a level, an alarm too: what it rested on is not believed."""
        self.level = level
        for run in self.runs() if level == 0 else (self.outer,):
            run.active = False
            run.seconds = run.back = -1.0

    def end(self) -> None:
        """Forget everything: the keeper wants nothing of these readings believed."""
        self.drop()
        if self.read is not None:
            self.read.active = False
            self.read.seconds = self.read.back = -1.0

    @property
    def busy(self) -> bool:
        """Whether anything runs or stands here."""
        outer, inner, read = self.outer, self.inner, self.read
        return (
            outer.seconds >= 0
            or outer.active
            or (inner is not None and (inner.seconds >= 0 or inner.active))
            or (read is not None and read.seconds >= 0)
        )

    def runs(self) -> tuple[LimitRun, ...]:
        """Return the runs of this side on believed readings, the outer last."""
        return (self.outer,) if self.inner is None else (self.inner, self.outer)


def sides_for(limits: Limits, old: list[Side] | None = None) -> list[Side]:
    """Return the four sides these limits make; runs of `old` go on under the new limits."""
    d = limits.delays
    off = d.off_minutes * 60
    wet, warm = d.humidity_deadband, d.temperature_deadband
    target, tolerable, heat = (
        limits.humidity_target,
        limits.humidity_tolerable,
        limits.temperature_tolerable,
    )
    wanted: list[tuple[Doubtable | Literal["hot"], float, bool, dict[str, float] | None, dict[str, float]]] = [
        ("dry", 1.0, False,
         {"limit": target.low, "delay": d.dry_target_minutes * 60, "deadband": wet, "slack": 0.3},
         {"limit": tolerable.low, "delay": d.dry_tolerable_minutes * 60, "deadband": wet, "slack": 0.3}),
        ("damp", -1.0, False,
         {"limit": -target.high, "delay": d.damp_target_minutes * 60, "deadband": wet, "slack": 0.3},
         {"limit": -tolerable.high, "delay": d.damp_tolerable_minutes * 60, "deadband": wet, "slack": 0.3}),
        ("hot", -1.0, True,
         {"limit": -heat.high, "delay": 0, "deadband": warm, "slack": 0, "samples": d.hot_samples, "plain": 1},
         {"limit": -limits.temperature_danger, "delay": 0, "deadband": warm, "slack": 0, "samples": 2, "plain": 1}),
        ("cold", 1.0, True, None,
         {"limit": heat.low, "delay": d.cold_minutes * 60, "deadband": warm, "slack": 0.1}),
    ]  # fmt: skip
    made = []
    for i, (kind, sign, thermal, inner, outer) in enumerate(wanted):
        before = old[i] if old else None
        found = _run(outer, off, before.outer if before else None)
        read = None
        if kind != "hot":
            late = outer | {"delay": outer["delay"] + DOUBT_SECONDS[kind]}
            read = _run(late, off, before.read if before else None)
        side = Side(
            kind, sign, thermal, _run(inner, off, before.inner if before else None) if inner else None, found, read
        )
        side.level = before.level if before else 0
        made.append(side)
    return made


def _run(options: Mapping[str, float], off: float, run: LimitRun | None) -> LimitRun:
    """Return a run with these settings, an old one where there was one."""
    limit, delay, deadband, slack = (float(options[name]) for name in ("limit", "delay", "deadband", "slack"))
    samples, plain = int(options.get("samples", 1)), bool(options.get("plain"))
    if run is None:
        return LimitRun(limit, delay, deadband, off, samples=samples, plain=plain, slack=slack)
    run.set(limit, delay, deadband, off, samples=samples, plain=plain, slack=slack)
    return run
