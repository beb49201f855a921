"""Sensors that change places, through the whole daemon on the emulated wire: never silently another history."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from dewkeeper.judge.types import Kind
from dewkeeper.notify.phrases import SHORT
from dewkeeper.store import History
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Sht3x

PLACES = ("T1", "T2", "T3")


class Tubs:
    """Three tubs whose probes hang on channels of one multiplexer; `air` may be changed."""

    def __init__(self) -> None:
        self.wire: Wire = register_rack("sensors").add(1)
        self.air = {place: (28.0, 64.0 + number) for number, place in enumerate(PLACES)}
        self.chips: dict[str, Sht3x] = {}
        mux = self.wire.add_mux(0x70)
        for number, place in enumerate(PLACES):
            self.chips[place] = Sht3x(self._sense(place), serial=100 + number)
            mux.channels[number].append(self.chips[place])

    def _sense(self, place: str) -> Any:
        # Steps of the word by turns, as any sensor's noise: equal words would be a stuck probe.
        return lambda: (self.air[place][0] + self.chips[place].converted % 7 * 0.01, self.air[place][1])

    def config(self, racks: Any) -> Config:
        """Return the rack's configuration."""
        lines = [
            'site = { name = "Test rack", timezone = "Europe/Vienna" }',
            f'storage = {{ folder = "{racks.folder}", ballast_mb = 0 }}',
            "web = { enabled = false }",
            'rack = [{ name = "R", room = "room" }]',
            f'channel = [{{ kind = "webhook", name = "phone", url = "{racks.url}" }}]',
            'person = [{ name = "Ina", channels = ["phone"], quiet_hours = { start = "03:00", end = "03:01" } }]',
            '[[bus]]', 'name = "one"', 'kind = "wire"', "number = 1", 'options = { rack = "sensors" }',
            "multiplexers = [{ address = 0x70 }]",
        ]  # fmt: skip
        for number, place in enumerate(PLACES):
            lines += [
                "[[enclosure]]", f'name = "{place}"', 'rack = "R"',
                "[[probe]]", f'name = "{place.lower()}"', f'enclosure = "{place}"', 'bus = "one"', "multiplexer = 0x70",
                f"channel = {number}", "address = 0x44",
            ]  # fmt: skip
        return parse("\n".join(lines).encode(), racks.folder / "test.toml")

    def exchange(self, one: str, two: str) -> None:
        """Pull two sensors and plug each into the other's place, within one poll."""
        a, b = self.chips[one], self.chips[two]
        a.serial, b.serial = b.serial, a.serial
        self.air[one], self.air[two] = self.air[two], self.air[one]
        for chip in (a, b):
            chip.power_cycle(self.wire.now())
        self.wire.pass_time(1.0)


@pytest.fixture
def tubs() -> Iterator[Tubs]:
    """Tubs whose wire is closed again in the end."""
    made = Tubs()
    yield made
    assert made.wire.opened == 0


def _told(phone: Any, kind: Kind) -> list[tuple[str, str]]:
    """Return (what happened, enclosure) of the messages about a kind, those of a group one by one."""
    told = []
    for message in phone.messages:
        of, _, happened = message["type"].partition(".")
        if of == kind:
            members = message["data"].get("members") or [{"name": message["data"]["enclosure"]}]
            told += [(happened, member["name"]) for member in members]
        # What ended together is told in one message, which names each by its first line.
        ended = [row["title"] for row in message["gathers"] if SHORT[kind].was in row["title"]]
        told += [("cleared", title.partition(":")[0]) for title in ended]
    return told


def _flags(folder: Any, probe: str, since: float) -> set[tuple[int, tuple[str, ...]]]:
    with History.open(folder) as history:
        return {
            (quality.flag, quality.tests)
            for quality in (one.quality for one in history.raw(probe, int(since), 1 << 40))
        }


def test_two_exchanged_sensors_are_both_named_and_believed_only_when_accepted(
    racks: Any, phone: Any, tubs: Tubs
) -> None:
    """Exchanged within a poll: both tubs told once, no dry alarm and no good reading from there, until each is accepted."""
    tubs.air["T2"] = (28.0, 58.0)  # drier than target would be told within three hours
    config = tubs.config(racks)
    daemon = racks.start(config)
    racks.clock.advance(30 * 60)
    swapped_at = racks.clock.wall()
    tubs.exchange("T1", "T2")
    tubs.air["T1"] = (28.0, 40.0)
    racks.clock.advance(90 * 60)
    assert sorted(_told(phone, "swapped")) == [("raised", "T1"), ("raised", "T2")]
    assert _told(phone, "dry") == []
    (message,) = [m for m in phone.messages if m["type"].startswith("swapped.")]
    assert "swap or accept" in message["title"]
    assert any("t1" in line and "t2" in line for line in message["lines"])
    assert _told(phone, "brownout") == [], "a plug pulled by hand is no weak supply"
    racks.stop(daemon)
    for probe in ("t1", "t2"):
        assert _flags(racks.folder, probe, swapped_at + 1) == {(3, ("swapped",))}
    assert _flags(racks.folder, "t3", 0) <= {(1, ()), (2, ())}

    daemon = racks.start(config)  # the question outlives a restart, and is not asked again
    racks.clock.advance(10 * 60)
    assert len(_told(phone, "swapped")) == 2
    for probe in ("t1", "t2"):
        assert daemon.handle({"do": "probe_accept", "probe": probe, "who": "Ina"})["done"]
    accepted_at = racks.clock.wall()
    racks.clock.advance(75 * 60)
    assert sorted(_told(phone, "swapped")[2:]) == [("cleared", "T1"), ("cleared", "T2")]
    assert ("raised", "T1") in _told(phone, "dry"), "once accepted, T1's air is judged like any"
    racks.stop(daemon)
    assert _flags(racks.folder, "t1", accepted_at + 61) == {(1, ())}


def test_put_back_the_question_is_over_and_the_time_between_is_not_believed(racks: Any, phone: Any, tubs: Tubs) -> None:
    """Exchanged back, both are well at the next poll; what came between stays suspect."""
    daemon = racks.start(tubs.config(racks))
    racks.clock.advance(10 * 60)
    swapped_at = racks.clock.wall()
    tubs.exchange("T1", "T3")
    racks.clock.advance(20 * 60)
    back_at = racks.clock.wall()
    tubs.exchange("T1", "T3")
    racks.clock.advance(10 * 60)
    racks.stop(daemon)
    assert sorted(_told(phone, "swapped")) == [("cleared", "T1"), ("cleared", "T3"), ("raised", "T1"), ("raised", "T3")]
    with History.open(racks.folder) as history:
        rows = history.raw("t1", 0, 1 << 40)
    assert {one.quality.flag for one in rows if swapped_at < one.reading.time <= back_at} == {3}
    assert {one.quality.flag for one in rows if one.reading.time > back_at} == {1, 2}


def test_an_unknown_sensor_in_a_heated_tub_still_tells_heat(racks: Any, phone: Any, tubs: Tubs) -> None:
    """A sensor never seen before is not believed, yet 39 °C is told as heat, with where else to look."""
    daemon = racks.start(tubs.config(racks))
    racks.clock.advance(10 * 60)
    tubs.chips["T1"].serial = 999
    tubs.chips["T1"].power_cycle(tubs.wire.now())
    tubs.wire.pass_time(1.0)
    racks.clock.advance(5 * 60)
    assert _told(phone, "swapped") == [("raised", "T1")]
    tubs.air["T1"] = (39.0, 64.0)
    racks.clock.advance(3 * 60)
    assert ("raised", "T1") in _told(phone, "hot")
    racks.stop(daemon)
    message = next(m for m in phone.messages if m["type"] == "hot.raised")
    assert any("another enclosure" in line for line in message["lines"])


def test_a_retired_probe_tells_nothing_more(racks: Any, phone: Any, tubs: Tubs) -> None:
    """Retired, its readings are not believed and its silence is not told; accepting a sensor takes it back."""
    daemon = racks.start(tubs.config(racks))
    racks.clock.advance(10 * 60)
    assert daemon.handle({"do": "probe_retire", "probe": "t1", "why": "cable", "who": "Ina"})["done"]
    retired_at = racks.clock.wall()
    tubs.air["T1"] = (45.0, 20.0)
    racks.clock.advance(20 * 60)
    tubs.chips["T1"].plugged = False
    racks.clock.advance(30 * 60)
    assert phone.messages == []
    racks.stop(daemon)
    assert _flags(racks.folder, "t1", retired_at + 61) == {(4, ("retired",)), (9, ("missing",))}
