"""Hold what was told against what was true, and count. Every count that hurts keeps its seed, tub and minute.

**Told in doubt** is counted apart from told as fact, since November 2026: while a probe has a fault of the plan that is
only inferred, an excursion that comes from its readings and names the doubt ("it reads its room's air, too cold: the probe
fell out, or ...") is what is asked for (DEVELOPERS.md, What the judge holds back) once the bound of its kind is over: nobody but the keeper can
know. It is neither right nor false here. The same told as fact, or told in doubt before its bound, is from bad readings.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tests.bench.alarms.bench_air import quick_saturation_hpa
from tests.bench.alarms.bench_baselines import Told
from tests.bench.alarms.bench_loop import Air
from tests.bench.alarms.bench_plan import NAMED_WITHIN_MINUTES, Fault, RackPlan
from tests.bench.alarms.bench_truth import LOOSE, Truth

LIMIT_KINDS = ("dry", "damp", "hot", "cold")
DOUBTED_MINUTES = {"cold": 60, "dry": 720, "damp": 1440}
"""How much longer than its on-delay each may be doubted: DEVELOPERS.md, What the judge holds back."""
AFTER_FAULT_MINUTES = 45
ROUNDED_FLAT_MINUTES = 62
"""Rounded values repeat by themselves: a flat line of theirs is one after an hour."""
_DEEDS = {
    "heat_stuck_on": ("heater_stuck",), "heat_lost": ("heater_lost",), "lid_open": ("lid_left", "open", "clean"),
}  # fmt: skip


@dataclass(slots=True)
class Tally:
    """Counts by name, and the cases behind those that hurt."""

    counts: Counter[str] = field(default_factory=Counter)
    cases: list[str] = field(default_factory=list)
    delays: dict[str, list[float]] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Take another rack's counts in."""
        self.counts.update(other.counts)
        self.cases += other.cases
        for name, values in other.delays.items():
            self.delays.setdefault(name, []).extend(values)

    def late(self, name: str, minutes: float) -> None:
        """Note how long after its beginning something was told."""
        self.delays.setdefault(name, []).append(minutes)


@dataclass(slots=True)
class Scorer:
    """The events of one judge over one rack, against the truth of its tubs."""

    plan: RackPlan
    truths: Mapping[str, Truth]
    room: Air
    tally: Tally = field(default_factory=Tally)

    def score(self, told: Sequence[Told]) -> Tally:
        """Count everything once."""
        by_tub: dict[str, list[Told]] = {name: [] for name in self.truths}
        for event in told:
            if event.event in ("raised", "escalated"):
                self.tally.counts["told"] += 1
                self.tally.counts[f"told {event.priority}"] += 1
            if event.tub in by_tub:
                by_tub[event.tub].append(event)
            elif event.event == "raised":
                self._room_event(event)
        for name, events in by_tub.items():
            self._excursions(name, events)
            self._faults(name, events, by_tub)
            for event in events:
                if event.event in ("raised", "escalated"):
                    self._alert(name, event)
            self._repeats(name, events)
        return self.tally

    def _note(self, what: str, tub: str | None, minute: int, text: str) -> None:
        self.tally.counts[what] += 1
        self.tally.cases.append(f"{what}: {self.plan.name}/{self.plan.seed} {tub} minute {minute}: {text}")

    def _excursions(self, name: str, events: list[Told]) -> None:
        for e in self.truths[name].excursions:
            spans = _standing(events, e.kind)
            label = "carried excursions" if e.carried else "plain excursions"
            self.tally.counts[label] += 1
            first = min((a for a, b in spans if a <= e.deadline and b >= e.start), default=None)
            if first is None:
                later = min((a for a, b in spans if e.deadline < a <= e.end), default=None)
                self._note(
                    "excursion late" if later is not None else "excursion missed", name, e.start,
                    f"{e.kind} {'carried ' if e.carried else ''}to {e.end}, worst {e.worst:.1f}, due {e.deadline},"
                    f" told {later}{', explained' if e.explained else ''}",
                )  # fmt: skip
            elif not e.carried and not e.explained and first >= e.start:
                self.tally.late(e.kind, first - e.start)

    def _faults(self, name: str, events: list[Told], by_tub: Mapping[str, list[Told]]) -> None:
        for fault in self.truths[name].plan.faults:
            if not fault.scored:
                self.tally.counts["faults nobody could see"] += 1
                continue
            within = NAMED_WITHIN_MINUTES[fault.kind]
            if fault.kind == "flat_line" and self.plan.rounded:
                within = ROUNDED_FLAT_MINUTES
            due = self._due(fault.start, within)
            if fault.end < due:
                self.tally.counts["faults over too soon"] += 1
                continue
            self.tally.counts["faults"] += 1
            self.tally.counts[f"faults {fault.kind}"] += 1
            seen = list(events)
            if fault.partner is not None:
                seen += by_tub[self.plan.tubs[fault.partner].name]
            first = min((a for a, b in _standing(seen, fault.kind) if a <= due and b >= fault.start), default=None)
            if first is not None:
                self.tally.counts["faults named"] += 1
                self.tally.counts[f"named {fault.kind}"] += 1
                self.tally.late(fault.kind, max(0, first - fault.start))
            else:
                near = [e for e in events if fault.start <= e.minute <= fault.end and e.event == "raised"]
                others = [f"{e.kind}@{e.minute}" for e in near][:6]
                text = f"{fault.kind} to {fault.end}, style {fault.style:.2f}, due {due}, told {others}"
                self._note("fault not named", name, fault.start, text)

    def _due(self, start: int, minutes: int) -> int:
        """Return when so many minutes have been watched since `start`: nothing can be seen while nothing is read."""
        due = start + minutes
        for a, b in sorted(self.plan.gaps):
            if a < due and b > start:
                due += b - max(a, start)
        return due

    def _fault_at(self, name: str, minute: int) -> Fault | None:
        for fault in self.truths[name].plan.faults:
            if fault.start <= minute <= fault.end + AFTER_FAULT_MINUTES:
                return fault
        return None

    def _alert(self, name: str, event: Told) -> None:
        truth, minute = self.truths[name], event.minute
        fault = self._fault_at(name, minute)
        if event.kind in LIMIT_KINDS:
            if truth.is_right(event.kind, event.band, minute):  # type: ignore[arg-type]
                if truth.is_explained(event.kind, minute):  # type: ignore[arg-type]
                    self._note(
                        "explained but told", name, minute, f"{event.kind} {event.band} {self._around(name, minute)}"
                    )
            elif fault is not None and event.doubt and event.minute - fault.start >= self._bound(truth, event):
                self.tally.counts["told in doubt"] += 1
            elif fault is not None:
                self._note("excursion from bad readings", name, minute, f"{event.kind} {event.band} in {fault.kind}")
                self._wrong(event, name, f"{event.kind} {event.band}: the probe had {fault.kind}")
            else:
                self._wrong(event, name, f"{event.kind} {event.band}: {self._around(name, minute)}")
            return
        if event.kind in NAMED_WITHIN_MINUTES or event.kind == "drift":
            self._fault_alert(name, event, fault)
            return
        deeds = _DEEDS.get(event.kind)
        if deeds is not None:
            near = [h for h in truth.plan.happenings if h.start <= minute <= h.end + 60]
            if any(h.what in deeds for h in near):
                self.tally.counts[f"right {event.kind}"] += 1
            elif fault is not None or any(h.what not in ("mist", "snake", "open") for h in near):
                real = [h.what for h in near] + ([fault.kind] if fault else [])
                self._note("wrong name", name, minute, f"{event.kind} for {real}")
            else:
                self._wrong(event, name, f"{event.kind}: {self._around(name, minute)}")
        elif event.kind == "dry_soon":
            if not self._dries(truth, minute):
                self._wrong(event, name, f"dry_soon: {self._around(name, minute)}")
        else:
            self._room_event(event)

    def _bound(self, truth: Truth, event: Told) -> float:
        """Return for how many minutes an excursion of this kind may be doubted; heat may be told in doubt at once."""
        rule = next(r for r in truth.rules if r.kind == event.kind)
        return rule.delay_minutes + DOUBTED_MINUTES.get(event.kind, 0)

    def _fault_alert(self, name: str, event: Told, fault: Fault | None) -> None:
        minute = event.minute
        if event.event != "raised":
            return
        after_gap = any(a <= minute <= b + 30 for a, b in self.plan.gaps)
        lossy = any(a <= minute <= b + 30 for a, b in self.truths[name].plan.lossy)
        if event.kind == "missing" and (after_gap or lossy) and (fault is None or fault.kind != "missing"):
            self.tally.counts["missing told in gaps and lost polls"] += 1
            return
        if fault is not None:
            if fault.kind != event.kind:
                self._note("wrong name", name, minute, f"{event.kind} for {fault.kind} since {fault.start}")
            return
        rubbish = [i for i in self.truths[name].wire.rubbish if 0 <= minute - i <= 30]
        text = f"single rubbish word at {rubbish}" if rubbish else self._around(name, minute)
        self._wrong(event, name, f"{event.kind}: {text}")

    def _wrong(self, event: Told, tub: str | None, text: str) -> None:
        self._note("false alert", tub, event.minute, text)
        if event.priority == "urgent":
            self._note("false urgent", tub, event.minute, text)

    def _room_event(self, event: Told) -> None:
        i = min(event.minute, len(self.room.temperature) - 1)
        if event.kind == "missing" and any(a <= event.minute <= b + 30 for a, b in self.plan.gaps):
            self.tally.counts["missing told in gaps and lost polls"] += 1
            return
        celsius, percent = self.room.temperature[i], self.room.humidity[i]
        soon_c = max(self.room.temperature[i : i + 14 * 60])
        frost = percent < 30 + LOOSE["percent"] or celsius < 18 + LOOSE["c"]
        right = {"room_heat": celsius > 30.5, "room_heat_soon": soon_c > 33.5, "room_frost": frost}.get(
            event.kind, False
        )
        if right:
            self.tally.counts[f"right {event.kind}"] += 1
        else:
            where = event.tub or event.probe
            self._wrong(event, where, f"{event.kind}: room {celsius:.1f} °C {percent:.0f} %")

    def _dries(self, truth: Truth, minute: int) -> bool:
        """Whether it did get near the tolerable limit within half a day, or a hand came between."""
        ahead = truth.wire.ideal_percent[minute : minute + 720]
        limit = truth.rules[0].limit + 2
        hand = any(minute <= h.start <= minute + 720 and h.what != "snake" for h in truth.plan.happenings)
        return hand or min(ahead, default=100.0) < limit

    def _repeats(self, name: str, events: list[Told]) -> None:
        last: dict[str, int] = {}
        for event in events:
            if event.event == "cleared":
                last[event.kind] = event.minute
            elif event.event == "raised" and event.minute - last.get(event.kind, -(10**6)) < 180:
                self._note("told again within 3 h", name, event.minute, f"{event.kind} {event.band}")

    def _around(self, name: str, minute: int) -> str:
        truth = self.truths[name]
        t, h = truth.wire.ideal_c[minute], truth.wire.ideal_percent[minute]
        e = h / 100 * quick_saturation_hpa(t)
        near = [f"{x.what}-{minute - x.start}" for x in truth.plan.happenings if 0 <= minute - x.start <= 600]
        room_c, room_h = self.room.temperature[minute], self.room.humidity[minute]
        room_e = room_h / 100 * quick_saturation_hpa(room_c)
        return f"{t:.2f} °C {h:.1f} % {e:.1f} hPa, room {room_c:.1f} °C {room_e:.1f} hPa, before {near[-4:]}"


def _standing(events: Sequence[Told], kind: str) -> list[tuple[int, int]]:
    """Return the spans in which this kind stood, at tolerable where it has bands."""
    open_at: dict[str, int] = {}
    spans = []
    for event in events:
        if event.kind != kind:
            continue
        if event.event in ("raised", "escalated") and event.band in (None, "tolerable"):
            open_at.setdefault(event.alarm, event.minute)
        elif event.alarm in open_at and (event.event == "cleared" or event.band == "target"):
            # Cleared, or back inside tolerable while target is still passed.
            spans.append((open_at.pop(event.alarm), event.minute))
    spans += [(start, 10**9) for start in open_at.values()]
    return sorted(spans)
