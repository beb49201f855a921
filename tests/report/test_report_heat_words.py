"""What a keeper reads of an enclosure's heat: sentences, and why something is not known."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from dewkeeper.judge.types import Fact, Learned
from dewkeeper.report.heat_words import heat_words
from dewkeeper.report.wording import Wording

NOW = 1_800_000_000
LATER = NOW + 86_400
HERE = Wording(ZoneInfo("UTC"))

PERIOD = Fact("heat_period_minutes", 24.2, 21.7, 26.7, days=7, until=LATER)
SWING = Fact("heat_swing_c", 1.14, days=7, until=LATER)
PACE = Fact("heat_c_per_hour", 6.3, 5.9, 6.6, days=7, until=LATER)
PEAK = Fact("usual_peak_c", 32.4, 32.0, 32.9, days=28, until=LATER)


def _said(*facts: Fact, wording: Wording = HERE) -> tuple[tuple[str, ...], tuple[str, ...]]:
    found = heat_words(Learned(NOW, "B1", facts), NOW, wording)
    return found.measured, found.unknown


def test_a_thermostats_cycle_and_peak_are_one_sentence() -> None:
    """How often it comes on and what it peaks at, then how far it swings and how fast it warms; nothing is unknown."""
    assert _said(PERIOD, SWING, PACE, PEAK) == (
        (
            "Its heat comes on every 24 min and peaks at 32.4 °C on most days (32.0–32.9 °C, from 28 days).",
            "From cycle to cycle it swings by 1.1 °C, and warms by 6.3 °C an hour while its heat is on.",
        ),
        (),
    )


def test_differences_are_told_in_the_sites_unit() -> None:
    """A swing of 1.14 °C is one of 2.1 °F, no matter where the scale begins."""
    assert "swings by 2.1 °F" in _said(PERIOD, SWING, wording=Wording(ZoneInfo("UTC"), fahrenheit=True))[0][1]


def test_control_in_proportion_is_said_to_be_that_and_not_unknown() -> None:
    """A swing without a period: held without a cycle; that there is none is no gap in what is known."""
    why = Fact("heat_period_minutes", why="no cycle is seen, yet it holds its warmth whatever its room does", days=7)
    measured, unknown = _said(why, SWING, PEAK, Fact("room_warmth_share", 0.06, 0.01, 0.11, until=LATER))
    assert measured[0].startswith("Its heat is held without a cycle")
    assert measured[1] == "It holds its warmth while its room gets warmer or cooler."
    assert unknown == ()


def test_what_follows_its_room_is_told_to_be_open_to_a_heat_wave() -> None:
    """Nine tenths of its room's warmth: nothing holds it; half of it: said in tenths."""
    assert "a hot day reaches it in full" in _said(Fact("room_warmth_share", 0.9, 0.85, 0.95, until=LATER))[0][0]
    assert "5 tenths" in _said(Fact("room_warmth_share", 0.5, 0.4, 0.6, until=LATER))[0][0]


def test_what_is_withheld_or_too_old_is_not_told_as_known() -> None:
    """Withheld: its reason. Too old: not a word, as of what was never learned."""
    measured, unknown = _said(Fact("usual_peak_c", why="3 whole days were read, 5 are needed", days=3))
    assert measured == ()
    assert unknown == ("What it peaks at: 3 whole days were read, 5 are needed.",)
    assert heat_words(Learned(NOW, "B1", (PEAK,)), LATER, HERE).measured == ()
    assert heat_words(None, NOW, HERE).measured == ()
