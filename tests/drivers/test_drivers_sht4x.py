"""The SHT4x driver over the wire-level bus, through the genuine library."""

from __future__ import annotations

from typing import Any

import pytest
from tests.wire.wire_faults import AllBits

from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_drivers.errors import ProbeCrc


def test_one_reading_is_one_high_precision_conversion(rig: Any) -> None:
    """A reading asks for the serial (0x89) and sends 0xFD (SHT4x data sheet, table 8: high precision, no heater) once."""
    chip = Sht4x(lambda: (24.0, 71.0), serial=1)
    rig.wire.attach(chip)
    probe = rig.probe(rig.bus(), driver="sht4x")
    rig.wire.trace.clear()
    sample = probe.read()
    assert rig.sent("write", 0x44) == [b"\x89", b"\xfd"]
    assert sample.temperature_c == pytest.approx(24.0, abs=0.002)
    assert sample.humidity_percent == pytest.approx(71.0, abs=0.001)


@pytest.mark.parametrize("words", [(0, 0), (26_214, 1_000), (26_214, 65_535), (65_535, 60_000)])
def test_words_outside_0_to_100_percent_come_back_whole(rig: Any, words: tuple[int, int]) -> None:
    """The sensor's scale goes from -6 to 119 %; the words are kept as sent, the value is held to 0..100."""
    chip = Sht4x(lambda: (24.0, 71.0), serial=1)
    chip.frozen = words
    rig.wire.attach(chip)
    sample = rig.probe(rig.bus(), driver="sht4x").read()
    assert (sample.temperature_word, sample.humidity_word) == words
    assert 0.0 <= sample.humidity_percent <= 100.0


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_lines_held_or_floating_are_refused(rig: Any, byte: int) -> None:
    """Frames of all ones and all zeros fail the checksum."""
    rig.wire.attach(Sht4x(lambda: (24.0, 71.0), serial=1))
    probe = rig.probe(rig.bus(), driver="sht4x")
    rig.wire.faults.append(AllBits(byte))
    with pytest.raises(ProbeCrc):
        probe.read()


def test_another_sensor_between_two_readings_is_noticed(rig: Any) -> None:
    """Without a status register only the serial number tells that the sensor is another one; the next reading does."""
    chip = Sht4x(lambda: (24.0, 71.0), serial=1)
    rig.wire.attach(chip)
    probe = rig.probe(rig.bus(), driver="sht4x")
    assert probe.read().notes == ()
    chip.serial = 2
    assert probe.read().notes == ("reset_seen",)
    assert probe.serial() == 2
    assert probe.read().notes == ()
