"""The invented rack and its world."""

from __future__ import annotations

import random
import threading
from datetime import date
from pathlib import Path

import pytest

from dewkeeper.store import History
from dewkeeper_config.loading import load
from dewkeeper_demo.rack import DRY_TUB, HOT_TUB, PLACES, ROOM_PROBE, config_text, probe_name, wiring
from dewkeeper_demo.stage import NIGHT_POLL_SECONDS, Stage
from dewkeeper_demo.week_before import lay_down
from dewkeeper_demo.world import World

START = 1_795_000_000.0


def test_the_configuration_is_one_the_daemon_accepts(tmp_path: Path) -> None:
    """The written file loads: 13 enclosures, a substrate probe in each, one for the room, two to a bus."""
    path = tmp_path / "dewkeeper.toml"
    path.write_text(
        config_text(tmp_path, zone="Europe/Vienna", http_port=1234, smtp_port=1235, poll_seconds=300, web_port=0),
        encoding="utf-8",
    )
    config = load(path)
    assert {e.name for e in config.enclosure} == {place.name for place in PLACES}
    assert len(config.enclosure) >= 12
    numbers = {bus.name: bus.number for bus in config.bus}
    wired = {(probe.name, numbers[probe.bus or ""], probe.address) for probe in config.probe}
    assert wired == {(probe_name(wire.probe), wire.bus, wire.address) for wire in wiring()}
    assert {(e.name, e.rack, e.shelf, e.place, e.profile, e.open_water) for e in config.enclosure} == {
        (p.name, p.rack, p.shelf, p.place, p.profile, p.build.bowl_grams > 0) for p in PLACES
    }
    assert {e.kind for e in config.enclosure} == {"tub", "furnished", "egg_box"}
    assert sorted(p.enclosure or ROOM_PROBE for p in config.probe) == sorted(w.probe for w in wiring())
    assert all(sum(p.bus == bus.name for p in config.probe) <= 2 for bus in config.bus)


def test_the_same_seed_gives_the_same_air() -> None:
    """Two worlds with one seed and the same deeds agree to the last digit."""
    worlds = [World(START, "Europe/Vienna", seed=3) for _ in range(2)]
    for world in worlds:
        world.at(START + 1000, lambda w: w.tubs[DRY_TUB].mist())
        for when in range(0, 7200, 300):
            world.advance_to(START + when)
    assert [t.probe_air() for t in worlds[0].tubs.values()] == [t.probe_air() for t in worlds[1].tubs.values()]


def test_a_deed_is_done_at_its_time() -> None:
    """What is scheduled happens when time passes it, in order, and not before."""
    world = World(START, "UTC")
    done: list[str] = []
    world.at(START + 600, lambda w: done.append("second"))
    world.at(START + 300, lambda w: done.append("first"))
    world.advance_to(START + 299)
    assert done == []
    world.advance_to(START + 900)
    assert done == ["first", "second"]


def test_probes_read_from_many_threads_see_one_world() -> None:
    """Threads asking for the same moment get the air of that moment, whoever comes first."""
    world = World(START, "UTC")
    now = START + 3600
    alone = World(START, "UTC")
    alone.advance_to(now)
    got: dict[str, tuple[float, float]] = {}

    def ask(name: str) -> None:
        got[name] = world.air(name, lambda: now)()

    names = [place.name for place in PLACES]
    random.Random(1).shuffle(names)
    threads = [threading.Thread(target=ask, args=(name,)) for name in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert got == {name: alone.tubs[name].probe_air() for name in names}


def test_the_room_probe_reads_the_room() -> None:
    """The room's probe is near the room's temperature, far below any tub's."""
    world = World(START, "UTC")
    temperature, humidity = world.air(ROOM_PROBE, lambda: START + 600)()
    assert temperature == pytest.approx(world.room.temperature_c, abs=0.2)
    assert humidity == pytest.approx(world.room.humidity_percent, abs=0.3)
    assert temperature < world.tubs[HOT_TUB].temperature_c - 3


def test_a_week_of_care_is_calm_and_stored_whole(tmp_path: Path) -> None:
    """The week before the night is stored poll by poll with its journal, and raises no alarm."""
    evening = date(2026, 11, 17)
    with Stage(tmp_path / "state", "Europe/Vienna", evening, days_before=3) as stage:
        config = stage.write_config(NIGHT_POLL_SECONDS)
        end = stage.begins + 3 * 86400
        stored = lay_down(stage.world, stage.care, config, stage.clock, stage.begins, end)
    assert stored == 3 * 288 * len(wiring())
    with History.open(config.storage.folder) as history:
        assert history.events(0) == []
        assert len(history.journal()) == len(stage.care)
        assert len(history.raw("A1 floor", int(stage.begins), int(end))) == 3 * 288
