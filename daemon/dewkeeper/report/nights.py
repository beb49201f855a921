"""Which instants a local night covers. The only place of this room where local time becomes UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dewkeeper_config.models import Site


@dataclass(frozen=True, slots=True)
class Night:
    """One local night as instants: integer UTC seconds [start, end). `day` is the local date it ends on."""

    day: date
    start: int
    end: int


def night_of(day: date, begins: time, ends: time, zone: ZoneInfo) -> Night:
    """Return the night that ends on local date `day`.

    begins, ends: local wall times; equal times mean a whole day. The night is every instant from the first at which
    the wall clock has reached `begins` to the last at which it has not reached `ends`. So an hour that comes twice
    belongs to the night wholly, and a wall time that is skipped stands for the moment of the skip.
    """
    start_day = day if begins < ends else day - timedelta(days=1)
    start = _instant(datetime.combine(start_day, begins), zone, last=False)
    end = _instant(datetime.combine(day, ends), zone, last=True)
    return Night(day, start, end)


def night_to_show(site: Site, now: int) -> Night:
    """Return the night a glance at `now` (UTC seconds) is about: the one that ends on today's local date.

    After midnight that is the night under way; in the evening it is still the one that ended this morning.
    """
    zone = ZoneInfo(site.timezone)
    today = datetime.fromtimestamp(now, zone).date()
    night = night_of(today, site.night_start, site.night_end, zone)
    if night.start > now:  # a night that lies within one date and has not begun
        night = night_of(today - timedelta(days=1), site.night_start, site.night_end, zone)
    return night


def night_before(site: Site, night: Night) -> Night:
    """Return the night one local date earlier."""
    return night_of(night.day - timedelta(days=1), site.night_start, site.night_end, ZoneInfo(site.timezone))


def day_start(day: date, zone: ZoneInfo) -> int:
    """Return the first instant of a local date, UTC seconds."""
    return _instant(datetime.combine(day, time(0)), zone, last=False)


@dataclass(frozen=True, slots=True)
class ClockChange:
    """What the wall clock showed just before it was changed, and just after."""

    before: datetime
    after: datetime


def clock_change(zone: ZoneInfo, start: int, end: int) -> ClockChange | None:
    """Return how the wall clock was changed between two instants (UTC seconds), None where it was not."""
    if datetime.fromtimestamp(start, zone).utcoffset() == datetime.fromtimestamp(end, zone).utcoffset():
        return None
    moment = _skip_moment(start, end, zone)
    before = datetime.fromtimestamp(moment - 1, zone).replace(tzinfo=None) + timedelta(seconds=1)
    return ClockChange(before, datetime.fromtimestamp(moment, zone).replace(tzinfo=None))


def _instant(wall: datetime, zone: ZoneInfo, *, last: bool) -> int:
    """Return the instant of a wall time: of two the first or last, of none the moment the clock skipped it."""
    early, late = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    # In a gap PEP 495 maps fold=0 past it and fold=1 before it; a round trip tells a gap from a fold.
    if early.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall:
        return _skip_moment(int(late.timestamp()), int(early.timestamp()), zone)
    return int((late if last else early).timestamp())


def _skip_moment(before: int, after: int, zone: ZoneInfo) -> int:
    """Return the second at which the zone's offset changes, by bisection between two instants."""
    # Between the two lies one change: zones change months apart, and a night is asked about.
    old = datetime.fromtimestamp(before, zone).utcoffset()
    while after - before > 1:
        middle = (before + after) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == old:
            before = middle
        else:
            after = middle
    return after
