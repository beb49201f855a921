"""What is said of the places of an enclosure: measured, reckoned and not known are different sentences, each with its caution."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.report.conftest import Shelf, judged, seconds
from tests.report.test_report_probes import with_more

from dewkeeper.air import humidity_at
from dewkeeper.judge.types import Fact, JournalEntry, Learned, Quantity, Settings
from dewkeeper.report.where import CAUTIONS, WhereReport, where, where_rows
from dewkeeper.service.settings import judge_settings
from dewkeeper_config.models import Config

NOW = seconds("2026-11-25T18:00:00")
VAPOUR = 24.0


def _fill(shelf: Shelf, config: Config, hours: int = 30, room_c: float = 21.0) -> None:
    """Store readings of five minutes: the tub at 29 °C, its room, a warm end at 33 °C."""
    read = []
    names = {probe.name for probe in config.probe}
    for at in range(NOW - hours * 3600, NOW + 1, 300):
        read.append(judged("p1", at, 29.0, humidity_at(VAPOUR, 29.0)))
        if "air" in names:
            read.append(judged("air", at, room_c, 45.0))
        if "warm" in names:
            read.append(judged("warm", at, 33.0, humidity_at(VAPOUR, 33.0)))
    settings: Settings = judge_settings(config, NOW - hours * 3600 - 60)
    shelf.keep(items=(settings,))
    shelf.keep(read)


def _learned(*facts: tuple[Quantity, float, float, float, int]) -> Learned:
    held = [Fact(name, value, low, high, many, many, NOW + 9) for name, value, low, high, many in facts]
    return Learned(NOW - 9, "T1", tuple(held))


def _said(shelf: Shelf, config: Config) -> WhereReport:
    with shelf.past() as past:
        return where(past, config, "T1", past.learned(NOW).get("T1"), NOW)


def _in_a_room(config: Config) -> Config:
    """Return the configuration with a probe in the racks' room."""
    room = config.rack[0].room
    probe = config.probe[0].but(name="air", enclosure=None, room=room, role="room")
    return config.but(probe=[*config.probe, probe])


def test_with_nothing_known_it_says_what_would_help(shelf: Callable[..., Shelf]) -> None:
    """Neither probe nor reading nor note: three sentences of what is not known and how to know it, and no caution."""
    one = shelf()
    _fill(one, one.config)
    said = _said(one, one.config)
    assert [len(lines) for lines in (said.measured, said.reckoned, said.unknown, said.cautions)] == [0, 0, 3, 0]
    assert "a second probe there would measure it" in said.unknown[0]
    assert "before anybody mists" in said.unknown[2]


def test_a_second_probe_is_measured(shelf: Callable[..., Shelf]) -> None:
    """What the probe at the warm end reads is said as measured, with the caution of a warm surface."""
    one = shelf()
    config = with_more(one.config, warm="warm_end")
    _fill(one, config)
    said = _said(one, config)
    assert said.measured == ["At the warm end 48 % at 33.0 °C now, by its own probe warm."]
    assert said.cautions == [CAUTIONS["warm_end"]]


def test_a_surface_reading_is_reckoned_for_that_moment(shelf: Callable[..., Shelf]) -> None:
    """Of 31.5 °C on the floor of the hide: how humid it was there then, between what, on what it rests, and what is not known."""
    one = shelf()
    _fill(one, one.config)
    entry = JournalEntry("s1", NOW - 7200, "T1", "surface", "31.5 °C hide floor")
    one.keep(items=(entry,))
    said = _said(one, one.config)
    assert said.reckoned == [
        "In the hide about 52 % (46–59 %) when its surface had 31.5 °C and the probe read 60 % at 29.0 °C (16:00); as if vapour"
        " were even in the whole enclosure. Moss or a wet floor makes it damper than that."
    ]
    assert said.cautions == [CAUTIONS["hide"]]


def test_what_was_learned_is_reckoned_for_now(shelf: Callable[..., Shelf]) -> None:
    """A warm end known to be 6 °C warmer: drier there now, hotter than it may be, which the caution says first."""
    one = shelf()
    _fill(one, one.config)
    one.keep(items=(_learned(("warm_end_above_c", 6.0, 5.0, 7.0, 5)),))
    said = _said(one, one.config)
    assert said.reckoned == [
        "At the warm end about 43 % now (38–48 %) at about 35.0 °C: 6.0 °C warmer (5.0–7.0) than at the probe, by 5 surface"
        " readings; as if vapour were even in the whole enclosure."
    ]
    assert said.cautions[0].startswith("Warmer there than the 34 °C it may have. A warm surface burns")


@pytest.mark.parametrize(
    ("room_c", "factor", "how"),
    [(21.0, 0.9, "dry"), (18.0, 0.3, "may be wet"), (12.0, 0.2, "wet, water condenses on it")],
)
def test_a_wall_is_dry_wet_or_perhaps(shelf: Callable[..., Shelf], room_c: float, factor: float, how: str) -> None:
    """By what is known of its factor, now and in the worst hour; only a wall that may be wet has the lungs' caution."""
    one = shelf()
    config = _in_a_room(one.config)
    _fill(one, config, room_c=room_c)
    one.keep(items=(_learned(("wall_factor", factor, factor - 0.04, factor + 0.04, 9)),))
    report = _said(one, config)
    now, worst = (line for line in report.reckoned if "wall" in line)
    assert now.endswith(f"now, the dew point 20.4 °C: {how} (by 9 mornings and surface readings noted).")
    assert worst.endswith(f"the cool wall {how}.")
    assert report.cautions == ([] if how == "dry" else [CAUTIONS["air"]])


def test_what_is_left_of_the_exchange_is_said_after_a_change(shelf: Callable[..., Shelf]) -> None:
    """Less air since the mesh was covered: by how much, and what stale air does; nothing is said where no vents were changed."""
    one = shelf()
    _fill(one, one.config)
    one.keep(items=(_learned(("exchange_share", 0.45, 0.35, 0.6, 9)),))
    assert "exchanges" not in str(_said(one, one.config))
    one.keep(items=(JournalEntry("m1", NOW - 10 * 86400, "T1", "mesh_cover_changed", "covered"),))
    said = _said(one, one.config)
    assert said.measured == [
        "Mesh cover changed Sun 15 Nov: since then it exchanges 45 % of the air it exchanged with its room before (35–60 %;"
        " 9 days since): less."
    ]
    assert said.cautions == [CAUTIONS["air"]]
    assert where_rows(said)[0][0] == "measured"
