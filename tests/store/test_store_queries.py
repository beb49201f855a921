"""Every query equals the same query over a plain list, whatever came in which order."""

from __future__ import annotations

import random
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.store.conftest import MIDNIGHT
from tests.store.plain import PROBES, Plain
from tests.store.plain import settings as made_settings

from dewkeeper.judge.types import FAIL, SUSPECT, Calibration
from dewkeeper.store import History
from dewkeeper.store.database import FILE_NAME

_seed = st.integers(0, 1 << 30)
_moves = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["minutes", "minutes", "hours", "days"]), st.integers(1, 60), _seed),
        st.tuples(st.just("refused"), st.integers(1, 20), _seed),
        st.tuples(st.just("back"), st.integers(60, 3 * 86400), _seed),
        st.tuples(st.sampled_from(["late fault", "late suspicion"]), st.integers(0, 4 * 86400), st.integers(0, 86400)),
        st.tuples(st.just("settings"), st.sampled_from([30, 60, 600]), st.integers(40, 60)),
        st.tuples(
            st.sampled_from(["stage", "corrected stage"]), st.integers(-2 * 86400, 3 * 86400), st.integers(0, 3 * 86400)
        ),
        st.tuples(st.just("calibration"), st.integers(0, 4 * 86400), st.integers(-5, 5)),
        st.tuples(st.sampled_from(["compact", "restart", "crash"]), st.just(0), st.just(0)),
    ),
    min_size=1,
    max_size=12,
)


def _polls(
    rng: random.Random, start: int, count: int, step: int
) -> list[tuple[int, str, int | None, int | None, bool | None]]:
    """Return polls, of which some count for nothing; in a stretch of them, for their temperature alone."""
    rows: list[tuple[int, str, int | None, int | None, bool | None]] = []
    doubted = range(rng.randrange(count + 1), rng.randrange(count + 1))
    for number in range(count):
        for probe in PROBES:
            if rng.random() < 0.9:
                words = (
                    (None, None) if rng.random() < 0.05 else (rng.randrange(25800, 27800), rng.randrange(20000, 60000))
                )
                good = rng.random() > 0.1
                rows.append((start + number * step, probe, *words, None if good and number in doubted else good))
    return rows


@settings(max_examples=amount(12, 300), suppress_health_check=[HealthCheck.too_slow])
@given(_moves, st.integers(0, 5 * 86400), st.integers(1, 3 * 86400), st.integers(35, 70))
def test_every_query_equals_the_plain_list(
    moves: list[tuple[str, int, int]], start: int, length: int, low: int
) -> None:
    """Polls, refusals, steps back, late faults, calibrations, settings, stages, compactions, restarts: answers are the list's."""
    with tempfile.TemporaryDirectory() as folder:
        plain = Plain(Path(folder))
        plain.set(made_settings(MIDNIGHT - 1, 60, 50, 60))
        now = MIDNIGHT
        for what, a, b in moves:
            match what:
                case "minutes" | "hours" | "days" | "refused":
                    step = {"hours": 1200, "days": 7000}.get(what, 60)
                    rows = _polls(random.Random(b), now, a, step)
                    if rows:
                        plain.put(rows, refused=what == "refused")
                    now += a * step
                case "back" if plain.rows:
                    rows = _polls(random.Random(b), now - a, 5, 60)
                    if rows:
                        plain.put(rows)
                case "late fault" | "late suspicion":
                    plain.exclude("b1", MIDNIGHT + a, MIDNIGHT + a + b, FAIL if what == "late fault" else SUSPECT)
                case "settings":
                    plain.set(made_settings(now, a, b, b + 10))
                case "stage" | "corrected stage":
                    plain.note("B2", now - max(0, a), now, now + b, corrects=what == "corrected stage")
                case "calibration":
                    plain.calibrate(Calibration(min(now, MIDNIGHT + a), "b2", b / 10, b / 5, 1 + b / 500))
                case "compact" if plain.rows:
                    plain.compact()
                case "restart" | "crash":
                    plain.restart(sound=what == "restart")
        plain.check(MIDNIGHT, now + 1, low, low + 12)
        plain.check(MIDNIGHT + start, MIDNIGHT + start + length, low, low + 12)
        quarter = (MIDNIGHT + start) // 900 * 900
        plain.check(quarter, quarter + 8 * 3600, low, low + 12)
        plain.store.close()


def test_a_corrected_stage_changes_what_was_beyond_the_limits(tmp_path: Path) -> None:
    """A stage written down by mistake and corrected days later has not moved the limits of those days; others' did not move."""
    plain = Plain(tmp_path)
    plain.set(made_settings(MIDNIGHT - 1, 60, 50, 60))
    plain.put(_polls(random.Random(1), MIDNIGHT, 60, 300))
    plain.note("B2", MIDNIGHT, MIDNIGHT + 18_000, MIDNIGHT + 14 * 86400)
    plain.put(_polls(random.Random(2), MIDNIGHT + 18_000, 500, 300))
    plain.compact()
    end = MIDNIGHT + 18_000 + 500 * 300
    plain.check(MIDNIGHT, end, 50, 60)
    with History.open(tmp_path) as history:
        before = history.overnight(MIDNIGHT, end)
    plain.restart(sound=True)
    plain.note("B2", end, end, end + 86400, corrects=True)
    plain.check(MIDNIGHT, end, 50, 60)
    with History.open(tmp_path) as history:
        after = history.overnight(MIDNIGHT, end)
    assert after["b2"].below_target_seconds < before["b2"].below_target_seconds
    assert (after["b1"], after["b3"]) == (before["b1"], before["b3"])
    plain.store.close()


def test_a_start_leaves_the_past_alone(tmp_path: Path) -> None:
    """What a restart stores first makes no quarter hour anew: of years on a card that would take minutes."""
    plain = Plain(tmp_path)
    plain.set(made_settings(MIDNIGHT - 1, 60, 50, 60))
    plain.put(_polls(random.Random(1), MIDNIGHT, 500, 300))
    plain.compact()
    plain.restart(sound=True)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database:
        database.execute("UPDATE rollup SET n = 1000")  # to be seen again only if nobody makes them anew
        database.commit()
        marked = database.execute("SELECT count(*) FROM rollup").fetchone()
    plain.set(made_settings(MIDNIGHT + 500 * 300, 60, 50, 60))
    plain.store.close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database:
        assert database.execute("SELECT count(*) FROM rollup WHERE n = 1000").fetchone() == marked
        assert marked[0] > 50
