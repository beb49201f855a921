"""The picture of a change: what was measured beside what it would have been, the day of the change left out."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

from dewkeeper.insight.changed import ChangedDay, Finding, as_text, carried, from_text
from dewkeeper.judge.words import DAY
from dewkeeper.report.wording import Wording
from dewkeeper.web.change_picture import change_picture

WORDING = Wording(ZoneInfo("UTC"))
MONDAY = 1_790_000_000 // DAY * DAY
AT = MONDAY + 20 * DAY + 50_000


def finding(more_hpa: float = 3.0, **values: object) -> Finding:
    """Return what covering a mesh did: so many hPa more after than before, of 22 hPa."""
    days = tuple(
        ChangedDay(MONDAY + n * DAY, 22.0 + 0.1 * (n % 3) + (more_hpa if n > 20 else 0.0), 22.0)
        for n in range(40)
        if n not in (7, 20)
    )
    return Finding(AT, "mesh_cover_changed", more_hpa, 2.0, 4.0, 19, 19, 3, days=days, detail="covered", **values)  # type: ignore[arg-type]


def test_two_lines_a_left_out_day_and_words() -> None:
    """Both courses with patterns of their own, broken where days are missing, named; the change named and dated; no colour alone."""
    picture = str(change_picture(finding(), 0, WORDING))
    measured = re.search(r'class="curve judged1" d="([^"]+)"', picture)
    assert measured is not None
    assert measured[1].count("M") == 3  # the day not read and the day of the change break it
    assert 'class="curve beside1"' in picture
    assert all(f">{word}<" in picture for word in ("measured", "without it", "changed", "Sun 11 Oct"))
    assert "url(#hatch-change0)" in picture
    assert (
        "Before 52 % on average, after 59 %; without the change, by the course of those left alone and the room, 52 %."
        in picture
    )


def test_without_its_days_there_is_no_picture() -> None:
    """Of a change that cannot be told yet, or whose days were not kept, nothing is drawn."""
    assert str(change_picture(Finding(AT, "mesh_cover_changed", why="can't tell yet"), 0, WORDING)) == ""
    assert str(change_picture(Finding(AT, "holes_changed", 1.0, 0.5, 1.5, 14, 14, 2), 0, WORDING)) == ""


def test_what_was_told_stays_told_for_a_year() -> None:
    """A verdict outlives the weeks a pass looks back; one that could not be told does not, nor one of more than a year ago."""
    now = AT + 60 * DAY
    old, untold = finding(), Finding(AT, "holes_changed", why="can't tell yet")
    new = Finding(now - DAY, "bowl_size_changed", why="can't tell yet")
    assert carried([new], [old, untold], now) == [new, old]
    assert carried([], [old], now + 366 * DAY) == []
    again = finding(more_hpa=2.0)
    assert carried([again], [old], AT + 30 * DAY) == [again]
    many = [Finding(AT - n * DAY, "holes_changed", 1.0, 0.5, 1.5, days=old.days) for n in range(30)]
    kept = carried([], many, now)
    assert [bool(one.days) for one in kept] == [True] * 6 + [False] * 18
    assert len(as_text(kept)) < 40_000
    assert from_text(as_text(kept)) == kept
