"""`stale_air` of a change that lies weeks back, by what was learned of the exchange since."""

from __future__ import annotations

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Fact, JournalEntry, Learned

ROOM = [("air", 22.0, 50.0)]


def _desk(share: Fact, *, humid: float) -> Desk:
    """Return a desk after half a day of humid air that swings with its thermostat, and what was learned of its exchange."""
    desk = Desk(rack(room=True))
    desk.hold(60, h=64.0, others=ROOM)
    desk.feed(Learned(desk.now, "B1", (share,)))
    desk.hold(9 * 60, h=lambda minute: humid + (2 if minute % 40 < 20 else -2), others=ROOM)
    return desk


def _share(value: float, high: float) -> Fact:
    return Fact("exchange_share", value, value / 1.5, high, days=9, until=2_000_000_000)


def test_little_exchange_and_humid_air_are_stale() -> None:
    """Two fifths of the former exchange, and six humid hours: told, with the share, though no change was noted lately; over when drier."""
    desk = _desk(_share(0.4, 0.6), humid=78.0)
    assert desk.told("stale_air") == [("stale_air", "raised", None)]
    assert next(e for e in desk.events if e.kind == "stale_air").detail["exchange_percent"] == 40
    desk.hold(120, h=63.0, others=ROOM)
    assert desk.told("stale_air")[-1] == ("stale_air", "cleared", None)


@pytest.mark.parametrize(
    ("share", "humid"),
    [
        (_share(0.7, 0.9), 78.0),
        (_share(0.4, 1.1), 78.0),
        (_share(0.4, 0.6), 65.0),
        (Fact("exchange_share", why="few days"), 78.0),
    ],
    ids=("enough exchange", "not sure", "not humid", "withheld"),
)
def test_otherwise_it_is_not_told(share: Fact, humid: float) -> None:
    """Enough exchange, an interval that holds no change, air within target, or nothing learned."""
    assert _desk(share, humid=humid).told("stale_air") == []


def test_a_later_change_makes_what_was_learned_another_enclosures() -> None:
    """Since the mesh was opened again an hour ago the learned share says nothing any more."""
    desk = Desk(rack(room=True))
    desk.hold(60, h=64.0, others=ROOM)
    desk.feed(Learned(desk.now, "B1", (_share(0.4, 0.6),)))
    desk.feed(JournalEntry("j1", desk.now, "B1", "mesh_cover_changed", "uncovered"))
    desk.hold(9 * 60, h=lambda minute: 78.0 + (2 if minute % 40 < 20 else -2), others=ROOM)
    assert desk.told("stale_air") == []
