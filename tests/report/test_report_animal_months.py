"""The air an animal had, month by month, wherever it lived."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from tests.report.conftest import judged, seconds

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animal_months import lived_months
from dewkeeper.report.animals import animals, stays
from dewkeeper.report.sheds import shed_cycles, ungraded
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings

ZONE = ZoneInfo("Europe/Vienna")


def _entry(name: str, at: str, place: str, what: str, detail: str = "") -> JournalEntry:
    return JournalEntry(name, seconds(at), place, what, detail)


def test_the_months_follow_the_animal(shelf: Callable[..., Any]) -> None:
    """Moved at noon on 20 March it had the air of T1 before and of T2 after; what was not read is missed, what changed stands on its day."""
    one, begun, end = shelf("Europe/Vienna"), seconds("2026-03-10T00:00:00"), seconds("2026-04-05T12:00:00")
    hole = seconds("2026-03-15T00:00:00"), seconds("2026-03-16T00:00:00")
    readings = [
        judged("p1", at, 27.0, 50.0 + at // 1800 % 3) for at in range(begun, end, 300) if not hole[0] <= at < hole[1]
    ]
    readings += [judged("p2", at, 25.0, 70.0) for at in range(begun, end, 300)]
    journal = [
        _entry("1", "2026-03-12T12:00:00", "T1", "moved_in", "Ash"),
        _entry("2", "2026-03-13T09:00:00", "T1", "mesh_cover_changed", "half"),
        _entry("3", "2026-03-20T11:00:00", "T2", "moved_in", "Ash"),
        _entry("4", "2026-03-21T11:00:00", "T1", "mesh_cover_changed", "none"),
    ]  # fmt: skip
    one.keep(readings, items=(judge_settings(one.config, begun), *journal))
    with one.past() as past:
        (ash,) = animals(past.journal(0))
        april, march = lived_months(past, ash, ZONE, end, None)
        words = march.words(Wording.of(one.config.site))
    assert (april.first, march.first, march.homes, april.homes) == (
        date(2026, 4, 1),
        date(2026, 3, 1),
        ["T1", "T2"],
        ["T2"],
    )
    assert sorted(march.days) == list(range(12, 32))
    assert march.days[14].lived_seconds == 86400
    assert march.days[29].lived_seconds == 23 * 3600  # the night the clock goes forward
    moved = march.days[20]
    assert moved.humidity is not None
    assert (round(moved.humidity[0]), round(moved.humidity[1])) == (50, 70)
    assert march.days[15].watched_seconds < 3600 + 900  # the hole of a UTC day ends an hour into the next local one
    assert march.changes == {13: ["mesh cover changed: half"]}
    assert march.target is not None
    assert "in T1, T2: humidity 50–70 %, temperature 25.0–27.0 °C, unwatched 5 % of the time" in words


def test_the_air_of_a_shed_to_be_graded_is_told_nowhere_on_the_animals_page(shelf: Callable[..., Any]) -> None:
    """Until it is graded the months before the shed and the stay are withheld; graded, they are told."""
    one, begun, end = shelf(), seconds("2026-03-01T00:00:00"), seconds("2026-04-20T00:00:00")
    readings = [judged("p1", at, 27.0, 60.0) for at in range(begun, end, 900)]
    journal = [
        _entry("1", "2026-03-01T12:00:00", "T1", "moved_in", "Ash"),
        _entry("2", "2026-04-01T12:00:00", "T1", "opaque"),
        _entry("3", "2026-04-12T12:00:00", "T1", "shed"),
    ]  # fmt: skip
    one.keep(readings, items=(judge_settings(one.config, begun), *journal))
    for graded in (False, True):
        if graded:
            good = JournalEntry(
                "4", journal[2].time, "T1", "shed", "one piece, both spectacles off, tail tip off", replaces="3"
            )
            one.keep(items=(good,))
        with one.past() as past:
            (ash,) = animals(past.journal(0))
            hidden = ungraded(shed_cycles(ash))
            months = lived_months(past, ash, ZoneInfo("UTC"), end, hidden)
            (stay,) = stays(past, ash, end, hidden)
        assert [month.withheld for month in months] == [not graded, not graded]
        said = [month.words(Wording.of(one.config.site)) for month in months]
        assert all(("60" in words) == graded for words in said), said
        assert (stay.withheld, stay.mean is None) == (not graded, not graded)
