"""A clutch as the journal tells of it: egg masses by date, water lost, and what the air of its box explains of that.

dm/dt = -G * VPD: what eggs lose goes with the vapour pressure deficit of the air they lie in. G is fitted
to the weighings, and mass projected at the box's present deficit. Temperature comes first: heat kills eggs faster than
dry air does.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Final

from dewkeeper.air import saturation_hpa, vapour_hpa
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.contract import Past, Point, moist
from dewkeeper.report.due import say_day
from dewkeeper.report.model import to_plain
from dewkeeper.report.weights import grams_of
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Config

DAY: Final = 86400
EGG_WORDS: Final = ("eggs", "hatched", "stage_over", "weighed")
"""Journal words a clutch is read from."""
_SLICES_A_DAY: Final = 8
LEAST_WATCHED: Final = 0.5
"""Between two weighings with less watched than this, the air explains nothing."""
LEAST_STEPS: Final = 3
"""So many stretches between weighings, and a projection has an interval."""
_COUNT: Final = re.compile(r"(?<!\d)(\d{1,3})\s*(?:eggs?)?\b", re.IGNORECASE)
_GRAMS: Final = re.compile(r"\d+(?:[.,]\d+)?\s*k?g\b", re.IGNORECASE)
# Student's t, two-sided 90 %, 1 to 10 degrees of freedom (NIST/SEMATECH handbook, table of t†); beyond, the normal's.
_T90: Final = (6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812)
_NORMAL_90: Final = 1.645


@dataclass(frozen=True, slots=True)
class EggStep:
    """Between two weighings: days, grams lost a day, and the mean deficit of the box's air, hPa; None where it was not watched."""

    start: int
    end: int
    lost_grams_a_day: float
    deficit_hpa: float | None


@dataclass(frozen=True, slots=True)
class Clutch:
    """One clutch. count: eggs, None where nobody said. masses: (UTC second, grams) of all eggs together.

    conductance: grams a day and hPa, fitted; projected: (lowest, middle, highest) grams at the first day of hatching, 90 %,
    None before there are three stretches that were watched. first, last: local dates between which hatching is expected.
    """

    enclosure: str
    begun: int
    count: int | None
    masses: Sequence[tuple[int, float]]
    steps: Sequence[EggStep]
    conductance: float | None
    projected: tuple[float, float, float] | None
    first: date
    last: date

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "enclosure": self.enclosure,
            "since": to_plain(self.begun, "since"),
            "eggs": self.count,
            "masses": [{"time": to_plain(at, "time"), "grams": grams} for at, grams in self.masses],
            "steps": [
                {
                    "from": to_plain(s.start, "time"),
                    "until": to_plain(s.end, "until"),
                    "lost_grams_a_day": round(s.lost_grams_a_day, 3),
                    "deficit_hpa": None if s.deficit_hpa is None else round(s.deficit_hpa, 2),
                }
                for s in self.steps
            ],
            "grams_a_day_and_hpa": None if self.conductance is None else round(self.conductance, 4),
            "projected_grams": None if self.projected is None else [round(g, 1) for g in self.projected],
            "hatching_from": self.first.isoformat(),
            "hatching_until": self.last.isoformat(),
        }


def deficit(points: Sequence[Point]) -> float | None:
    """Return the mean vapour pressure deficit of slices with believed humidity, hPa; None for none."""
    humid = moist(points)
    if not humid:
        return None
    total = sum(p.seconds for p in humid)
    short = sum(
        p.seconds * (saturation_hpa(p.temperature_c) - vapour_hpa(p.temperature_c, p.humidity_percent)) for p in humid
    )
    return max(0.0, short / total)


def clutches(past: Past, config: Config, journal: Sequence[JournalEntry], now: int) -> list[Clutch]:
    """Return the clutches that were set up and have not hatched; journal: oldest first. Raises StoreError."""
    wording = Wording.of(config.site)
    under: dict[str, list[JournalEntry]] = {}
    for entry in journal:
        if entry.enclosure is None or entry.time > now:
            continue
        if entry.what == "eggs":
            # A box holds one clutch: what is set up later takes the place of what was never said to have hatched.
            under[entry.enclosure] = [entry]
        elif entry.what in ("hatched", "stage_over"):
            under.pop(entry.enclosure, None)
        elif entry.what == "weighed" and entry.enclosure in under:
            under[entry.enclosure].append(entry)
    return [_clutch(past, config, entries, wording, now) for entries in under.values()]


def _clutch(past: Past, config: Config, entries: Sequence[JournalEntry], wording: Wording, now: int) -> Clutch:
    begun, name = entries[0], entries[0].enclosure or ""
    weighed = [(e.time, grams_of(_mass_part(e.detail))) for e in entries]
    masses = [(at, grams) for at, grams in weighed if grams is not None]
    steps = []
    for (start, before), (end, after) in pairwise(masses):
        if end - start < DAY / 4:
            continue  # two looks at a scale, not a stretch of time
        points = past.series(name, start, end, max(1, (end - start) * _SLICES_A_DAY // DAY))
        watched = sum(p.seconds for p in moist(points)) / (end - start)
        steps.append(
            EggStep(
                start,
                end,
                (before - after) * DAY / (end - start),
                deficit(points) if watched >= LEAST_WATCHED else None,
            )
        )
    laid = wording.local(begun.time).date()
    first, last = (laid + timedelta(days) for days in (config.round.hatch_first_days, config.round.hatch_last_days))
    lately = (
        deficit(past.series(name, max(begun.time, now - 3 * DAY), now, 3 * _SLICES_A_DAY)) if now > begun.time else None
    )
    fitted = fit([(s.deficit_hpa, s.lost_grams_a_day) for s in steps if s.deficit_hpa is not None])
    projected = None
    if masses and fitted is not None and lately is not None:
        left = max(0, (first - wording.local(masses[-1][0]).date()).days)
        projected = project(masses[-1][1], left, lately, fitted)
    # "6 eggs, 480 g": what is left without the grams is the count.
    counted = _COUNT.search(_GRAMS.sub("", begun.detail))
    return Clutch(
        name, begun.time, int(counted[1]) if counted else None, masses, steps,
        None if fitted is None else fitted.conductance, projected, first, last,
    )  # fmt: skip


def _mass_part(detail: str) -> str:
    """Return the words that say grams; a bare number of a weighing is grams as well, one of `eggs set up` is a count."""
    found = _GRAMS.search(detail)
    return found[0] if found else "" if "egg" in detail.casefold() or not detail else detail


@dataclass(frozen=True, slots=True)
class EggFit:
    """Water loss as conductance (g a day and hPa) times deficit: its standard error, and how many stretches it rests on."""

    conductance: float
    error: float
    steps: int

    @property
    def t90(self) -> float:
        """Student's t for 90 %."""
        free = self.steps - 1
        return _T90[free - 1] if 1 <= free <= len(_T90) else _NORMAL_90


def fit(steps: Sequence[tuple[float, float]]) -> EggFit | None:
    """Return loss a day fitted to deficit, a line through the origin by least squares; None for fewer than three stretches.

    steps: (hPa, grams a day).
    """
    square = sum(x * x for x, _ in steps)
    if len(steps) < LEAST_STEPS or square <= 0:
        return None
    conductance = sum(x * y for x, y in steps) / square
    residual = sum((y - conductance * x) ** 2 for x, y in steps) / (len(steps) - 1)
    return EggFit(conductance, (residual / square) ** 0.5, len(steps))


def project(grams: float, days: int, deficit_hpa: float, fitted: EggFit) -> tuple[float, float, float]:
    """Return lowest, middle and highest grams after so many days at this deficit: 90 %, for the fit's own uncertainty alone."""
    middle = grams - fitted.conductance * deficit_hpa * days
    wide = fitted.t90 * fitted.error * deficit_hpa * days
    # The width is that of the fit: by it alone eggs would seem to gain weight, or to weigh less than nothing.
    return max(0.0, middle - wide), max(0.0, middle), min(grams, middle + wide)


HEAT_FIRST: Final = "Look at the temperature first: heat kills eggs faster than cold or dry air."


def clutch_lines(one: Clutch, wording: Wording) -> list[str]:
    """Return a clutch in words."""
    eggs = "eggs" if one.count is None else f"{one.count} eggs"
    lines = [
        f"{one.enclosure}: {eggs} since {wording.day(one.begun)}; hatching is expected {say_day(one.first)} to "
        f"{say_day(one.last)}, an estimate, common practice"
    ]
    if not one.masses:
        lines.append("Not weighed yet: the journal’s “weighed”, with all eggs' grams, is what water loss is read from.")
    for at, grams in one.masses:
        lines.append(f"{wording.day(at)}: {grams:.0f} g")
    for step in one.steps:
        air = (
            "its air was not watched enough"
            if step.deficit_hpa is None
            else f"at a deficit of {step.deficit_hpa:.1f} hPa"
        )
        lines.append(
            f"{wording.day(step.start)} to {wording.day(step.end)}: {step.lost_grams_a_day:.2f} g a day lost, {air}"
        )
    if one.projected is not None:
        low, middle, high = one.projected
        lines.append(
            f"Projected, extrapolated at the deficit of the last three days: {middle:.0f} g by {say_day(one.first)} "
            f"(90 %: {low:.0f}–{high:.0f} g)"
        )
    elif one.masses:
        watched = sum(step.deficit_hpa is not None for step in one.steps)
        lines.append(f"No projection yet: {watched} of {LEAST_STEPS} watched stretches between weighings.")
    return [*lines, HEAT_FIRST]
