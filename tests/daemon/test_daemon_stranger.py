"""A driver from another distribution, found by its entry point as pip would install it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.export import export
from dewkeeper.store.importing import import_readings
from dewkeeper_config.loading import parse
from dewkeeper_drivers.contract import Scale, scale_of, spelled

DRIVER = """
from dewkeeper_drivers.contract import Sample, Scale

OWN = Scale("aosong-like", -40.0, 165.0, -10.0, 120.0)


class Stranger:
    def __init__(self, broken):
        self.broken = broken
        self.count = 0

    def read(self):
        self.count += 1
        if self.broken == "raises":
            raise ZeroDivisionError("oh")
        if self.broken == "words":
            return Sample(70_000, 3.5, OWN)
        if self.broken == "scale":
            return Sample(1, 2, Scale("no numbers", float("nan"), 1.0, 0.0, 1.0))
        notes = (7,) if self.broken == "notes" else ()
        return Sample(26_000 + self.count % 7, 39_000, OWN, notes)

    def serial(self):
        return None

    def close(self):
        if self.broken:
            raise RuntimeError("cannot even close")


def open_probe(config, bus):
    return Stranger(str(config.options.get("broken", "")))
"""
OWN = Scale("aosong-like", -40.0, 165.0, -10.0, 120.0)
MEANT = {OWN.decode(26_000 + more, 39_000) for more in range(7)}


@pytest.fixture
def installed(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The distribution, on the path."""
    site = tmp_path_factory.mktemp("site")
    (site / "strange_driver.py").write_text(DRIVER)
    facts = site / "strange_driver-1.0.dist-info"
    facts.mkdir()
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: strange-driver\nVersion: 1.0\n")
    (facts / "entry_points.txt").write_text("[dewkeeper.drivers]\nstrange = strange_driver:open_probe\n")
    monkeypatch.syspath_prepend(str(site))


def _config(racks: Any, options: str = "", **air: Any) -> Any:
    text: str = racks.text(**air)
    at = text.index('driver = "simulated"', text.index('name = "t2"'))
    changed = text[:at] + 'driver = "strange"' + text[at + len('driver = "simulated"') :]
    line = changed.rindex("options = {")
    return parse((changed[:line] + f"options = {{ {options} }}").encode(), racks.folder / "test.toml")


def _values(folder: Path) -> set[tuple[float | None, float | None]]:
    with History.open(folder) as history:
        return {(one.reading.temperature_c, one.reading.humidity_percent) for one in history.raw("t2", 0, 1 << 40)}


@pytest.mark.usefixtures("installed")
def test_a_drivers_own_scale_is_stored_with_its_probe_and_read_for_good(racks: Any, tmp_path: Path) -> None:
    """Its readings are what the sensor meant, after a restart, in the night, in an export and where that is taken in."""
    racks.stop_after(racks.start(_config(racks)), 1800)
    racks.stop_after(racks.start(_config(racks)), 1800)
    assert _values(racks.folder) == MEANT
    with History.open(racks.folder) as history:
        night = history.overnight(1_790_000_000, 1_790_003_600)
    assert night["t2"].temperature_min.value == pytest.approx(min(MEANT)[0])
    assert night["t2"].humidity_mean == pytest.approx(min(MEANT)[1])
    export(racks.folder, tmp_path / "all.csv")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    config = racks.config().storage.but(folder=elsewhere)
    Store.open(elsewhere, config, racks.clock).close()
    assert import_readings(elsewhere, tmp_path / "all.csv", now=racks.clock.wall()).stored > 100
    assert _values(elsewhere) == MEANT


@pytest.mark.usefixtures("installed")
def test_a_database_with_a_scale_nobody_knows_starts_and_heals(racks: Any) -> None:
    """An older version stored a strange scale by its name alone, which ended every start: now it starts and learns the scale."""
    racks.stop_after(racks.start(_config(racks)), 600)
    with closing(sqlite3.connect(racks.folder / FILE_NAME)) as database:
        database.execute("UPDATE probe SET scale = 'aosong-like' WHERE name = 't2'")
        database.commit()
    assert _values(racks.folder) == {(None, None)}
    racks.stop_after(racks.start(_config(racks)), 600)
    assert _values(racks.folder) == MEANT


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize("broken", ["raises", "words", "scale"])
def test_a_driver_that_breaks_its_contract_costs_its_own_probe_only(racks: Any, broken: str) -> None:
    """Whatever it does, the other probe of the same adapter is read every poll, and its own polls count as failed."""
    racks.stop_after(racks.start(_config(racks, f'broken = "{broken}"')), 600)
    with History.open(racks.folder) as history:
        assert sum(one.quality.counts for one in history.raw("t1", 0, 1 << 40)) == 11
    assert _values(racks.folder) == {(None, None)}


@pytest.mark.usefixtures("installed")
def test_a_reading_that_cannot_be_judged_costs_neither_the_others_of_its_poll_nor_the_writer(
    racks: Any, phone: Any
) -> None:
    """Notes that are no words get as far as the judge: what it cannot take is counted and told, the heat in the other tub too."""
    daemon = racks.start(_config(racks, 'broken = "notes"', temperature_c=36.0))
    racks.clock.advance(10 * 60)
    assert daemon.losses.aside == {"writer": 11}
    assert daemon.writer.thread.is_alive()
    phone.wait_for("hot.raised")
    phone.wait_until(lambda message: "Reading(" in "\n".join(message["lines"]), "the alarm of what was set aside")
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert sum(one.quality.counts for one in history.raw("t1", 0, 1 << 40)) == 11
        assert history.raw("t2", 0, 1 << 40) == []
        assert "missing" in {alarm.kind for alarm in history.standing() if alarm.enclosure == "T2"}


def test_a_scale_is_spelled_so_that_it_can_be_read_back() -> None:
    """Known ones by name, others with their numbers; what gives no values is refused."""
    assert spelled(scale_of("sht4x")) == "sht4x"
    assert scale_of(spelled(OWN)) == OWN
    assert scale_of(spelled(Scale("sht3x", -45.0, 175.0, 0.0, 99.0))).humidity_span_percent == 99.0
    for text in ("aosong-like", "x 1 2 3", "x 1 -2 3 4", "x nan 1 0 1", ""):
        with pytest.raises(ValueError, match="scale"):
            scale_of(text)
