"""Local nights as UTC windows, against a computation that only ever converts UTC to local."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.report.nights import night_of, night_to_show
from dewkeeper_config.models import Site

# Both changes of the year in three zones: one hour in either hemisphere's habit, and the half hour of Lord Howe.
CHANGES = [
    ("Europe/Vienna", date(2026, 3, 29)),
    ("Europe/Vienna", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
]


def scanned(day: date, begins: time, ends: time, zone: ZoneInfo) -> tuple[int, int]:
    """Walk three days minute by minute in UTC and keep the hull of the minutes whose wall time is in the night."""
    first_day = day if begins < ends else day - timedelta(days=1)
    lowest, highest = datetime.combine(first_day, begins), datetime.combine(day, ends)
    moment = int(datetime.combine(day - timedelta(days=2), time(0), UTC).timestamp())
    inside = [
        minute
        for minute in range(moment, moment + 4 * 86400, 60)
        if lowest <= datetime.fromtimestamp(minute, zone).replace(tzinfo=None) < highest
    ]
    return inside[0], inside[-1] + 60


@pytest.mark.parametrize(("zone_name", "change"), CHANGES)
@pytest.mark.parametrize("offset_days", [-1, 0, 1])
@pytest.mark.parametrize(
    ("begins", "ends"),
    [
        (time(21), time(8)),
        (time(22, 30), time(6, 15)),
        (time(1, 30), time(2, 15)),
        (time(2, 15), time(9)),
        (time(23), time(2, 30)),
    ],
)
def test_night_equals_scan(zone_name: str, change: date, offset_days: int, begins: time, ends: time) -> None:
    """In the nights around both clock changes of three zones the window equals a scan of every minute's wall time."""
    zone, day = ZoneInfo(zone_name), change + timedelta(days=offset_days)
    night = night_of(day, begins, ends, zone)
    assert (night.start, night.end) == scanned(day, begins, ends, zone)


@given(
    day=st.dates(date(2000, 1, 3), date(2037, 1, 1)),
    begins=st.integers(0, 1439),
    length=st.integers(1, 1440),
    zone_name=st.sampled_from(["Europe/Vienna", "America/New_York", "Australia/Lord_Howe"]),
)
def test_consecutive_nights_never_overlap(day: date, begins: int, length: int, zone_name: str) -> None:
    """Every night has a positive length and ends no later than the next one begins, unless an hour came twice."""
    zone = ZoneInfo(zone_name)
    start, end = (time(m // 60, m % 60) for m in (begins, (begins + length) % 1440))
    tonight, tomorrow = (night_of(day + timedelta(days=n), start, end, zone) for n in (0, 1))
    assert tonight.start <= tonight.end
    # A night ending inside a repeated hour reaches into its second run; the next begins in its first at the earliest.
    assert tonight.end - tomorrow.start <= 3600


@pytest.mark.parametrize(
    ("local", "expected"),
    [("2026-11-25T06:50", 25), ("2026-11-25T14:10", 25), ("2026-11-25T22:30", 25), ("2026-11-26T00:10", 26)],
)
def test_glance_is_about_the_night_ending_today(local: str, expected: int) -> None:
    """From midnight to midnight the glance shows the night that ends, or ended, on that date."""
    site = Site(timezone="Europe/Vienna")
    now = int(datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Vienna")).timestamp())
    night = night_to_show(site, now)
    assert night.day == date(2026, 11, expected)
    assert night.start < now


def test_night_within_one_date_waits_until_it_has_begun() -> None:
    """A night set from 01:00 to 06:00 shows yesterday's until one o'clock."""
    site = Site(timezone="Europe/Vienna", night_start=time(1), night_end=time(6))
    zone = ZoneInfo("Europe/Vienna")
    for hour, day in ((0, 24), (2, 25)):
        now = int(datetime(2026, 11, 25, hour, 30, tzinfo=zone).timestamp())
        assert night_to_show(site, now).day == date(2026, 11, day)
