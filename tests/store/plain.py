"""A store beside a plain list: the same things are done to both, and every query must give the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.store.conftest import VERDICTS, raw_all, reading

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import (
    FAIL,
    MISSING,
    SUSPECT,
    Calibration,
    EnclosureFacts,
    Exclusion,
    JournalEntry,
    ProbeFacts,
    Quality,
    Reading,
    Settings,
)
from dewkeeper.store import Store
from dewkeeper.store.errors import StoreRefused
from dewkeeper.store.onward import Onward
from dewkeeper.store.quality import spelled
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper.store.summary import Span
from dewkeeper_config.models import HumiditySpan, Limits, Storage, TemperatureSpan

PROBES = ("b1", "b2", "b3")
Row = tuple[Reading, Quality]


def settings(time: int, poll_seconds: int, low: float, high: float) -> Settings:
    """Return settings of three enclosures with a probe each, whose target is [low, high] %RH."""
    limits, opaque = (
        Limits(
            humidity_target=HumiditySpan(low=low + more, high=high + more),
            humidity_tolerable=HumiditySpan(low=low + more - 10, high=high + more + 10),
            temperature_tolerable=TemperatureSpan(low=25, high=29),
        )
        for more in (0, 8)
    )
    enclosures = {name.upper(): EnclosureFacts(name.upper(), "R", "room", limits) for name in PROBES}
    probes = {name: ProbeFacts(name, "substrate", name.upper()) for name in PROBES}
    return Settings(time, poll_seconds, enclosures, probes, {"opaque": opaque})


class Plain:
    """See the module."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = self._open()
        self.rows: dict[tuple[str, int], Row] = {}
        self.settings: list[Settings] = []
        self.calibrations: list[Calibration] = []
        self.journal: list[JournalEntry] = []
        self.now = 0

    def _open(self) -> Store:
        return Store.open(self.folder, Storage(folder=self.folder), ManualClock())

    def put(
        self, readings: list[tuple[int, str, int | None, int | None, bool | None]], *, refused: bool = False
    ) -> None:
        """Commit polls of ascending times, first in vain if asked; `True`: it counts, `None`: its temperature does."""
        pairs: list[Row] = []
        for time, probe, t, h, good in readings:
            while (probe, time) in self.rows:  # the store finds the next free second itself; the sampler's stream too
                time += 1
            made = self._calibrated(reading(time, probe, t, h))
            flag, tests = (MISSING, ()) if t is None else VERDICTS[good]
            pair = made, Quality(time, probe, flag, tests)
            self.rows[probe, time] = pair
            pairs.append(pair)
            self.now = max(self.now, time)
        if refused:
            with pytest.raises(StoreRefused):
                self.store.commit(Batch(readings=tuple(pairs), notes={"x": {}}))  # type: ignore[dict-item]  # SQLite takes no such value
        self.store.commit(Batch(readings=tuple(pairs)))

    def set(self, made: Settings) -> None:
        """Let other settings be in force from now on."""
        self.store.commit(Batch(items=(made,)))
        self.settings.append(made)

    def note(self, enclosure: str, time: int, entered: int, until: int, *, corrects: bool = False) -> None:
        """Write down a stage, or correct the one written down last."""
        last = self.journal[-1].id if corrects and self.journal else None
        made = JournalEntry(
            f"{len(self.journal)}", time, enclosure, "opaque", until=until, entered=entered, replaces=last
        )
        self.store.commit(Batch(items=(made,)))
        self.journal.append(made)

    def calibrate(self, made: Calibration) -> None:
        """Correct a probe from a time on, which may be long past."""
        self.store.commit(Batch(items=(made,)))
        self.calibrations = sorted([*self.calibrations, made], key=lambda one: one.time)
        for (probe, time), (row, quality) in list(self.rows.items()):
            if probe == made.probe:
                self.rows[probe, time] = (
                    self._calibrated(reading(time, probe, row.temperature_word, row.humidity_word)),
                    quality,
                )

    def exclude(self, probe: str, since: int, until: int, flag: int = FAIL) -> None:
        """A fault is found late, which takes humidity alone where it is but suspected."""
        known = any(name == probe for name, _ in self.rows)
        self.store.commit(Batch(exclusions=(Exclusion(probe, since, until, ("drift",), flag),)))
        for (name, time), (row, quality) in list(self.rows.items()) if known else ():
            if name == probe and since <= time <= min(until, self.now) and quality.flag != MISSING:
                self.rows[name, time] = row, Quality(time, probe, flag, ("drift",))

    def compact(self) -> None:
        """Do the nightly work."""
        self.store.commit(Batch(snapshot=Snapshot(self.now, 0, b"state")))
        self.store.compact(self.now)

    def restart(self, *, sound: bool) -> None:
        """Close, in good order or not, and open again."""
        self.store.close(sound=sound)
        self.store = self._open()

    def check(self, start: int, end: int, low: float, high: float) -> None:
        """Compare every query over [start, end) with the list."""
        with Onward.open(self.folder) as history:
            raw = raw_all(history, start, end)
            night = history.overnight(start, end)
            for probe in PROBES:
                rows = self._of(probe, start, end)
                assert [(one.reading, one.quality) for one in raw.get(probe, ())] == rows
                assert [(one.reading, one.quality) for one in history.raw(probe, start, end)] == rows
                assert [tuple(row) for row in history.rows(probe, start, end)] == [
                    (
                        one.time, one.temperature_word, one.humidity_word, quality.flag,
                        spelled(quality.tests, one.failure, one.notes),
                    )
                    for one, quality in rows
                ]  # fmt: skip
                held = self._held(probe, start, end)
                _same(night.get(probe), self._span(probe, held))
                _same(history.stats(probe, start, end), self._span(probe, held))
                for points in (7, 300):
                    found = history.series(probe, start, end, points)
                    first = found[0].at if found else start
                    counted = self._held(probe, min(first, start), end)
                    assert sum(piece.n for piece in found) == sum(whole for *_, whole in counted)
                    assert sum(piece.temperature_n for piece in found) == len(counted)
                    for piece in found:
                        inside = [
                            (r, whole) for r, _, whole in counted if piece.at <= r.time < piece.at + piece.seconds
                        ]
                        humid = [r.humidity_percent or 0 for r, whole in inside if whole]
                        warm = [r.temperature_c or 0 for r, _ in inside]
                        ends = (min(humid), max(humid)) if humid else (None, None)
                        assert (piece.humidity_low, piece.humidity_high) == pytest.approx(ends)
                        assert [
                            piece.n, piece.humidity_sum, piece.temperature_n, piece.temperature_low, piece.temperature_sum,
                            piece.temperature_high,
                        ] == pytest.approx([len(humid), sum(humid), len(warm), min(warm), sum(warm), max(warm)])  # fmt: skip

    def _of(self, probe: str, start: int, end: int) -> list[Row]:
        return [pair for (name, time), pair in sorted(self.rows.items()) if name == probe and start <= time < end]

    def _held(self, probe: str, start: int, end: int) -> list[tuple[Reading, int, bool]]:
        """Return the readings of which anything counts, how long each stands, and whether its humidity does too."""
        rows = self._of(probe, 0, 1 << 40)
        nexts = [row.time for row, _ in rows[1:]] + [1 << 40]
        return [
            (row, min(following - row.time, 3 * self._in_force(probe, row.time)[0], end - row.time), quality.counts)
            for (row, quality), following in zip(rows, nexts, strict=False)
            if (quality.counts or quality.flag == SUSPECT) and start <= row.time < end
        ]

    def _in_force(self, probe: str, time: int) -> tuple[int, Limits | None]:
        past = [one for one in self.settings if one.time <= time] or self.settings[:1]
        if not past:
            return 60, None
        corrected = {entry.replaces for entry in self.journal}
        stages = [
            (entry.time, int(entry.id), entry.until or 0)
            for entry in self.journal
            if entry.enclosure == probe.upper()
            and entry.id not in corrected
            and max(entry.time, entry.entered or 0) <= time
        ]
        opaque = bool(stages) and max(stages)[2] > time
        return past[-1].poll_seconds, past[-1].stage_limits["opaque"] if opaque else past[-1].enclosures["B1"].limits

    def _calibrated(self, row: Reading) -> Reading:
        found = [one for one in self.calibrations if one.probe == row.probe and one.time <= row.time]
        if not found or row.temperature_c is None or row.humidity_percent is None:
            return row
        humidity = row.humidity_percent * found[-1].humidity_gain + found[-1].humidity_offset_percent
        return Reading(
            row.time, row.probe, row.temperature_c + found[-1].temperature_offset_c, min(100.0, max(0.0, humidity)),
            row.temperature_word, row.humidity_word,
        )  # fmt: skip

    def _span(self, probe: str, held: list[tuple[Reading, int, bool]]) -> dict[str, float] | None:
        if not held:
            return None
        humidities = [(row.humidity_percent or 0, row.time) for row, _, whole in held if whole]
        temperatures = [(row.temperature_c or 0, row.time) for row, *_ in held]
        beyond = dict.fromkeys(("dry", "damp", "driest", "dampest", "cold", "hot", "dose"), 0.0)
        for row, seconds, whole in held:
            limits = self._in_force(probe, row.time)[1]
            if limits is None:
                continue
            humidity, temperature = row.humidity_percent or 0, row.temperature_c or 0
            target, tolerable = limits.humidity_target, limits.humidity_tolerable
            beyond["cold"] += seconds * (temperature < limits.temperature_tolerable.low)
            beyond["hot"] += seconds * (temperature > limits.temperature_tolerable.high)
            if not whole:
                continue
            beyond["dry"] += seconds * (humidity < target.low)
            beyond["damp"] += seconds * (humidity > target.high)
            beyond["driest"] += seconds * (humidity < tolerable.low)
            beyond["dampest"] += seconds * (humidity > tolerable.high)
            beyond["dose"] += seconds * max(0.0, target.low - humidity, humidity - target.high) / 3600
        humid = {} if not humidities else {
            "mean": sum(value for value, _ in humidities) / len(humidities),
            "low": min(humidities)[0],
            "low at": min(humidities)[1],
            "high": max(humidities, key=lambda pair: (pair[0], -pair[1]))[0],
            "high at": max(humidities, key=lambda pair: (pair[0], -pair[1]))[1],
        }  # fmt: skip
        return beyond | humid | {
            "n": len(humidities),
            "watched": sum(seconds for _, seconds, whole in held if whole),
            "felt": len(held),
            "felt for": sum(seconds for _, seconds, _ in held),
            "warmth": sum(value for value, _ in temperatures) / len(held),
            "coldest": min(temperatures)[0],
            "coldest at": min(temperatures)[1],
            "warmest": max(temperatures)[0],
        }  # fmt: skip


def _same(found: Span | None, wanted: dict[str, float] | None) -> None:
    assert (found is None) == (wanted is None)
    if found is None or wanted is None:
        return
    got = {
        "n": found.n, "watched": found.watched_seconds, "felt": found.temperature_n, "felt for": found.temperature_seconds,
        "warmth": found.temperature_mean_c, "coldest": found.temperature_min.value, "coldest at": found.temperature_min.at,
        "warmest": found.temperature_max.value,
        "dry": found.below_target_seconds, "damp": found.above_target_seconds,
        "driest": found.below_tolerable_seconds, "dampest": found.above_tolerable_seconds,
        "cold": found.too_cold_seconds, "hot": found.too_hot_seconds, "dose": found.dose_percent_hours,
    }  # fmt: skip
    if found.humidity_mean is not None and found.humidity_min is not None and found.humidity_max is not None:
        got |= {
            "mean": found.humidity_mean, "low": found.humidity_min.value, "low at": found.humidity_min.at,
            "high": found.humidity_max.value, "high at": found.humidity_max.at,
        }  # fmt: skip
    # The dose is kept as whole %RH seconds a quarter: at most half of one each.
    assert got == pytest.approx(wanted, rel=1e-9, abs=1e-9) or (
        got | {"dose": 0} == pytest.approx(wanted | {"dose": 0}, rel=1e-9, abs=1e-9)
        and abs(got["dose"] - wanted["dose"]) <= 0.5 / 3600 * (got["n"] + 1)
    ), {key: (got.get(key), wanted[key]) for key in wanted if got.get(key) != wanted[key]}
