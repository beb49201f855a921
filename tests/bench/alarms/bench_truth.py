"""What was true: when an ideal probe in this place was beyond a limit, and when telling of it is right.

**The ideal probe** is the probe itself with its response time and its constant offset, but without noise, steps of
resolution, faults or lost polls. Offset and lag stay because no judge can see through them.

**An excursion that must be told**, plain: ideal values of the counted polls lie beyond the limit by a clear margin
(0.3 %RH, 0.1 °C) without break for the on-delay. Counted polls are those delivered by a healthy probe, single
rubbish words and the first five minutes after a fault apart. A gap of up to three polls is no break; a longer one adds no time, and after an hour the count
begins anew. It must stand as an alarm at the second counted poll after the on-delay.

**Carried across by a thermostat**: not plain, but the mean over an hour lies beyond by 0.5 %RH (0.15 °C), and
half the minutes of that hour too, for the on-delay plus the judge's documented cost; both are granted to it.

**Explained**: damp within four hours of a misting or a spill, dry or cold within four hours of an opening, may be
told or not until those four hours are over; what is left then must be told at once. Being told nonetheless is
counted apart.

**Right to tell**: of the counted minutes in the last on-delay half or more were beyond the limit less a loose margin
(0.6 %RH, 0.2 °C), and the last reading or the hour's mean is. Hot: two counted readings in a row.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from tests.bench.alarms.bench_plan import TubPlan
from tests.bench.alarms.bench_probe import READ, Wire

from dewkeeper.judge.types import Band, Kind
from dewkeeper_config.models import Limits

CLEAR = {"percent": 0.3, "c": 0.1}
LOOSE = {"percent": 0.6, "c": 0.2}
MEAN_CLEAR = {"percent": 0.5, "c": 0.15}
GAP_POLLS = 3
FORGOTTEN_MINUTES = 60
EXPLAINED_MINUTES = 240
HALF_HOUR = 30
HARMLESS = ("mist", "spill", "open", "clean", "snake")


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit with its delay. `sign` makes beyond positive: sign * (value - limit) > 0."""

    kind: Kind
    band: Band
    unit: str
    sign: int
    limit: float
    delay_minutes: float
    samples: int = 1


@dataclass(frozen=True, slots=True)
class Excursion:
    """A span in which something must be told by `deadline`; all in minutes. `carried`: across thermostat cycles."""

    kind: Kind
    start: int
    end: int
    deadline: int
    worst: float
    carried: bool
    explained: bool


def rules_of(limits: Limits) -> tuple[Rule, ...]:
    """Return every limit that may be told: tolerable ones first, then target and danger."""
    d = limits.delays
    wet, target, heat = limits.humidity_tolerable, limits.humidity_target, limits.temperature_tolerable
    return (
        Rule("dry", "tolerable", "percent", -1, wet.low, d.dry_tolerable_minutes),
        Rule("damp", "tolerable", "percent", 1, wet.high, d.damp_tolerable_minutes),
        Rule("hot", "tolerable", "c", 1, heat.high, 0, d.hot_samples),
        Rule("cold", "tolerable", "c", -1, heat.low, d.cold_minutes),
        Rule("dry", "target", "percent", -1, target.low, d.dry_target_minutes),
        Rule("damp", "target", "percent", 1, target.high, d.damp_target_minutes),
    )


class Truth:
    """The truth of one tub, computed once from its wire and its plan."""

    def __init__(self, plan: TubPlan, wire: Wire, delivered: bytearray, limits: Limits, cost_minutes: float) -> None:
        self.plan, self.wire = plan, wire
        self.rules = rules_of(limits)
        self.good = bytearray(a & b for a, b in zip(wire.good, delivered, strict=True))
        self.counted = array("l", [i for i, good in enumerate(self.good) if good])
        self.before = array("l", accumulate(self.good, initial=0))
        self.explained = _explained(plan)
        self._means = {"percent": hour_mean(wire.ideal_percent), "c": hour_mean(wire.ideal_c)}
        self.excursions: list[Excursion] = []
        for rule in self.rules[:4]:
            plain = self._plain(rule)
            self.excursions += plain
            if rule.kind != "hot":
                self.excursions += self._carried(rule, plain, cost_minutes)

    def values(self, rule: Rule) -> array[float]:
        """Return the ideal series a rule is about."""
        return self.wire.ideal_percent if rule.unit == "percent" else self.wire.ideal_c

    def _polls_after(self, minute: int, polls: int) -> int:
        place = bisect_right(self.counted, minute) + polls - 1
        return self.counted[place] if place < len(self.counted) else len(self.good) + 10_000

    def _allow(self, kind: Kind, start: int, deadline: int, until: int | None = None) -> tuple[int, bool]:
        """Put a deadline off to the end of what explains an excursion begun at `start` (or as late as `until`)."""
        late, explained = deadline, False
        for begin, end, kinds in self.explained:
            if kind in kinds and begin - 5 <= (start if until is None else until) and start <= end:
                late, explained = max(late, self._polls_after(end, 2)), True
        return late, explained

    def _plain(self, rule: Rule) -> list[Excursion]:
        values, good, before = self.values(rule), self.good, self.before
        edge = rule.limit + rule.sign * CLEAR[rule.unit]
        if rule.sign > 0:
            beyond = [i for i, v in enumerate(values) if v > edge and good[i]]
        else:
            beyond = [i for i, v in enumerate(values) if v < edge and good[i]]
        found: list[Excursion] = []
        run: list[int] = []
        for i in [*beyond, len(values) + 10**6]:
            broken = not run or i - run[-1] > FORGOTTEN_MINUTES or before[i] - before[run[-1] + 1] > 0
            if broken:
                self._close(rule, run, found)
                run = []
            run.append(i)
        return found

    def _close(self, rule: Rule, run: list[int], found: list[Excursion]) -> None:
        if len(run) < rule.samples:
            return
        elapsed, last = 0, run[0]
        for n, i in enumerate(run, 1):
            elapsed += i - last if i - last <= GAP_POLLS + 1 else 0
            last = i
            if elapsed >= rule.delay_minutes and n >= rule.samples:
                due = self._polls_after(i, 2)
                if run[-1] < due and rule.delay_minutes:
                    return  # over before the last moment to tell it
                deadline, explained = self._allow(rule.kind, run[0], due)
                if deadline > run[-1] and explained:
                    return
                values = self.values(rule)
                worst = max((rule.sign * values[j], values[j]) for j in run)[1]
                found.append(Excursion(rule.kind, run[0], run[-1], deadline, worst, False, explained))
                return

    def _carried(self, rule: Rule, plain: list[Excursion], cost_minutes: float) -> list[Excursion]:
        means, values, sign = self._means[rule.unit], self.values(rule), rule.sign
        edge = rule.limit + sign * MEAN_CLEAR[rule.unit]
        if not any(sign * (m - edge) > 0 for m in means):
            return []
        share = hour_mean(array("d", [1.0 if sign * (v - rule.limit) > 0 else 0.0 for v in values]))
        found: list[Excursion] = []
        start = -1
        for now in range(len(values) + 1):
            if now < len(values) and share[now] >= 0.5 and sign * (means[now] - edge) > 0:
                start = now if start < 0 else start
                continue
            # A centred mean sees half an hour ahead; what counts begins and ends with a value beyond.
            span: list[int] = []
            for j in range(start, now) if start >= 0 else ():
                if self.good[j] and sign * (values[j] - rule.limit) > 0:
                    if span and j - span[-1] > FORGOTTEN_MINUTES:
                        span.clear()
                    span.append(j)
            if span and not any(e.start <= span[-1] and e.end >= span[0] - 60 for e in plain):
                self._close_carried(rule, span[0], span[-1] + 1, cost_minutes, found)
            start = -1
        return found

    def _close_carried(self, rule: Rule, start: int, end: int, cost_minutes: float, found: list[Excursion]) -> None:
        unread = (end - start) - (self.before[end] - self.before[start])
        deadline = self._polls_after(int(start + rule.delay_minutes + cost_minutes + unread), 2)
        deadline, explained = self._allow(rule.kind, start, deadline, deadline)
        if deadline < end:
            worst = rule.sign * max(rule.sign * m for m in self._means[rule.unit][start:end])
            found.append(Excursion(rule.kind, start, end, deadline, worst, True, explained))

    def is_right(self, kind: Kind, band: Band | None, minute: int) -> bool:
        """Whether an ideal probe would bear out this alert at this minute."""
        rule = next(r for r in self.rules if r.kind == kind and (r.band == band or kind in ("hot", "cold")))
        values, sign = self.values(rule), rule.sign
        edge = rule.limit - sign * LOOSE[rule.unit]
        place = bisect_right(self.counted, minute)
        polls = max(rule.samples, int(rule.delay_minutes))
        window = self.counted[max(0, place - polls) : place]
        lately = range(max(0, minute + 1 - polls), minute + 1)
        kinds = {f.kind for f in self.plan.faults if f.start <= minute <= f.end}
        if any(f.kind in ("brownout", "crc") and f.start < minute and f.end >= lately.start for f in self.plan.faults):
            # What a probe reads between two resets or garbled replies is right, and counts.
            window = array("l", [i for i in lately if self.wire.state[i] == READ])
        if rule.unit == "c" and (kinds & {"impossible", "swapped"} or (rule.kind == "hot" and "saturated" in kinds)):
            # The temperature is right though the humidity cannot be, or it is some tub's, and a wet probe is too cool at
            # most: heat is told whatever else is wrong, so what was read decides.
            window = array("l", lately)
            values = array("d", [-45 + 175 * word / 65535 for word in self.wire.temperature_word])
        if not window:
            return False
        share = sum(sign * (values[i] - edge) > 0 for i in window) / len(window)
        last = values[window[-1]]
        ends = sign * (last - edge) > 0 or sign * (self._means[rule.unit][window[-1]] - edge) > 0
        return ends and share >= (1.0 if kind == "hot" else 0.5)

    def is_explained(self, kind: Kind, minute: int) -> bool:
        """Whether a misting, a spill or an ordinary opening of the last hours accounts for it, and nothing else."""
        if any(h.what not in HARMLESS and h.start <= minute <= h.end + 60 for h in self.plan.happenings):
            return False
        return any(kind in kinds and begin <= minute <= end for begin, end, kinds in self.explained)


def hour_mean(values: Sequence[float]) -> array[float]:
    """Return the centred mean over an hour, shorter at the ends."""
    sums = array("d", accumulate(values, initial=0.0))
    n = len(values)
    out = array("d", bytes(8 * n))
    for i in range(n):
        a, b = max(0, i - HALF_HOUR), min(n, i + HALF_HOUR + 1)
        out[i] = (sums[b] - sums[a]) / (b - a)
    return out


def _explained(plan: TubPlan) -> list[tuple[int, int, tuple[Kind, ...]]]:
    found: list[tuple[int, int, tuple[Kind, ...]]] = []
    for h in plan.happenings:
        if h.what in ("mist", "spill"):
            found.append((h.start, h.start + EXPLAINED_MINUTES, ("damp", "cold")))
        elif h.what in ("open", "clean"):
            found.append((h.start, h.end + EXPLAINED_MINUTES, ("dry", "cold", "damp")))
        elif h.what == "lid_left":
            found.append((h.start, h.start + EXPLAINED_MINUTES, ("dry", "cold")))
    return found
