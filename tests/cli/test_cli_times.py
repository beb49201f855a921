"""Times as people type them."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.cli.times import duration_seconds, moment, positive_seconds

VIENNA = ZoneInfo("Europe/Vienna")
NOON = datetime(2026, 3, 10, 11, 0, tzinfo=UTC).timestamp()  # 12:00 in Vienna


@pytest.mark.parametrize(
    ("text", "seconds"), [("90m", 5400), ("8h", 28800), ("1h30m", 5400), ("2d", 172800), ("45s", 45)]
)
def test_durations(text: str, seconds: int) -> None:
    """Durations add up their parts."""
    assert duration_seconds(text) == seconds


@pytest.mark.parametrize("text", ["", "8", "h8", "8 h", "-1h", "1.5h", "8hours"])
def test_durations_refuse_what_is_unclear(text: str) -> None:
    """Anything else is refused with the forms that are allowed."""
    with pytest.raises(argparse.ArgumentTypeError, match="90m"):
        duration_seconds(text)


@pytest.mark.parametrize("text", ["0", "-2", "nan", "inf", "soon"])
def test_a_wait_that_is_none_is_refused(text: str) -> None:
    """How long to look, and how often, is a number of seconds above zero."""
    with pytest.raises(argparse.ArgumentTypeError, match="above 0"):
        positive_seconds(text)
    assert positive_seconds("1.5") == 1.5


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("07:30", "2026-03-10T06:30"),
        ("23:00", "2026-03-09T22:00"),
        ("2h ago", "2026-03-10T09:00"),
        ("2026-03-09 07:30", "2026-03-09T06:30"),
        ("2026-03-09T07:30Z", "2026-03-09T07:30"),
    ],
)
def test_moments_are_local_and_past(text: str, utc: str) -> None:
    """A time of day is the last one that passed, in the site's zone."""
    assert moment(text, NOON, VIENNA) == int(datetime.fromisoformat(utc + "+00:00").timestamp())


@pytest.mark.parametrize(
    ("now", "text", "utc"),
    [
        ("2026-10-25T01:20", "02:45", "2026-10-25T00:45"),
        ("2026-10-25T06:00", "02:45", "2026-10-25T01:45"),
        ("2026-10-25T00:20", "02:10", "2026-10-25T00:10"),
        ("2026-03-29T06:00", "02:30", "2026-03-29T01:30"),
    ],
)
def test_a_time_of_day_that_came_twice_is_the_last_that_passed(now: str, text: str, utc: str) -> None:
    """In the night in which the clock is put back 02:45 was once already, though the wall clock shows 02:20 again."""
    at = datetime.fromisoformat(now + "+00:00").timestamp()
    assert moment(text, at, VIENNA) == int(datetime.fromisoformat(utc + "+00:00").timestamp())


@pytest.mark.parametrize("text", ["yesterday", "25:00", "7.30", "2026-13-01"])
def test_moments_refuse_what_is_unclear(text: str) -> None:
    """Anything else is refused."""
    with pytest.raises(argparse.ArgumentTypeError):
        moment(text, NOON, VIENNA)
