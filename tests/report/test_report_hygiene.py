"""Damp and dirty are weighed together: dampness brings a deep clean forward, and says so."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from tests.report.book_year import KeptBook, at, house
from tests.report.conftest import judged, seconds

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.hygiene import damp_seconds
from dewkeeper.report.round import RoundFacts, service_round
from dewkeeper.service.settings import judge_settings

FIRST = date(2026, 2, 1)
HOUR = 3600


def test_damp_time_is_counted_since_the_last_deep_clean(shelf: Callable[..., Any]) -> None:
    """Half of the time above the band counts half; what was before the clean does not, nor does a tub whose shed is to be graded."""
    one, begun = shelf(), seconds("2026-03-01T00:00:00")
    damp = [judged("p1", begun + h * HOUR, 27.0, 85.0 if h % 24 >= 12 else 65.0) for h in range(13 * 24)]
    dry = [judged("p2", begun + h * HOUR, 27.0, 65.0) for h in range(13 * 24)]
    one.keep([*damp, *dry], items=(judge_settings(one.config, begun),))
    cleaned = [JournalEntry(n, begun + 2 * 86400, n, "cleaned") for n in ("T1", "T2")]
    cleaned.append(JournalEntry("T3", begun + 2 * 86400, "T3", "cleaned"))  # which is not configured any more
    now = begun + 13 * 86400
    with one.past() as past:
        found = damp_seconds(past, one.config, cleaned, now, ())
        assert set(found) == {"T1"}
        # An hourly reading stands for what a poll may last at most; in the quarter hours it stands for it is above.
        watched = past.nights(begun + 2 * 86400, now)["T1"].watched_seconds
        assert found["T1"] == pytest.approx(watched / 2, rel=0.01)
        assert damp_seconds(past, one.config, cleaned, now, {"T1"}) == {}
        # A tub is cleaned every 30 days; damp all day long it would be due after 10, by dates maybe a day sooner.
        assert damp_seconds(past, one.config, cleaned, begun + 11 * 86400 - 1, ()) == {}
        assert set(damp_seconds(past, one.config, cleaned, begun + 11 * 86400, ())) == {"T1"}


def test_dampness_brings_the_deep_clean_forward_and_never_puts_it_off() -> None:
    """Every half day above target is a day more; the reason says so, with the disinfectant of last time."""
    book, config = KeptBook(), house()
    book.write(at(FIRST, 9), "T01", "moved_in", "Ash")
    book.write(at(FIRST, 10), "T01", "cleaned")
    book.write(at(FIRST, 11), "T01", "disinfected", "hypochlorite 1:50, 10 min, rinsed")

    def due(day: date, damp_hours: int) -> str | None:
        facts = RoundFacts(damp_seconds={"T01": damp_hours * HOUR})
        found = service_round(book.entries, config, at(day), facts).find("T01", "deep-clean")
        return None if found is None else found.why

    assert due(FIRST + timedelta(20), 0) is None
    assert due(FIRST + timedelta(20), 9 * 12) is None
    early = due(FIRST + timedelta(20), 10 * 12)
    assert early is not None
    assert "120 h above target count as 10 days more" in early
    assert "disinfected last time with hypochlorite 1:50, 10 min, rinsed" in early
    assert due(FIRST + timedelta(30), 0) is not None
    assert due(FIRST, 1000) is None
