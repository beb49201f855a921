"""Why, in figures: the parts add up in words and bars, and an alarm without them is told as before."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.report.model import ChangeParts
from dewkeeper.report.why import parts_of, why_words
from dewkeeper.report.wording import Wording
from dewkeeper.web.why_picture import why_picture

NOW = 1_790_017_200
WORDING = Wording(ZoneInfo("Europe/Vienna"))
DETAIL = {
    "changed_since": NOW - 7200, "percent_before": 66.0, "percent_by_temperature": -4.0, "percent_by_room": -8.0,
    "percent_by_moisture": 1.5, "dose_target": 3.0,
}  # fmt: skip


def test_the_sentence_has_since_when_and_every_part() -> None:
    """From what to what, since when by the wall clock, and three parts by name, each with its sign."""
    said = why_words(parts_of(DETAIL), WORDING, NOW)
    assert said == "From 66 % to 56 % since 19:00, of which in %RH: it warmed -4, the room's air -8, moisture added +2."


def test_an_alarm_without_parts_has_neither_words_nor_picture() -> None:
    """One that was told before anything was learned says its cause alone."""
    assert parts_of({"percent_by_room": 1.0}) is None
    assert why_words(None, WORDING, NOW) == ""
    assert str(why_picture(None)) == ""


@given(*(st.floats(-60, 60) for _ in range(3)))
def test_bars_lie_inside_and_on_their_side(warm: float, room: float, moisture: float) -> None:
    """What dried lies left of the middle, what moistened right of it, each with its figure, none outside of the drawing."""
    parts = ChangeParts(NOW, 60.0, 60.0 + warm + room + moisture, warm, room, moisture)
    drawn = str(why_picture(parts))
    bars = re.findall(r'<rect class="(part-\w+)" x="([\d.]+)%" y="[\d.]+em" width="([\d.]+)%"', drawn)
    assert [kind for kind, _, _ in bars] == ["part-less" if v < 0 else "part-more" for v in (warm, room, moisture)]
    for kind, x, width in bars:
        assert float(x) >= 45
        assert float(x) + float(width) <= 91
        assert float(x) <= 68.05 if kind == "part-less" else float(x) == 68
    assert all(f"{value:+.0f} %RH" in drawn for value in (warm, room, moisture))
