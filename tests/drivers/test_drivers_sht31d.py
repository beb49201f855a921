"""The SHT31-D driver over the wire-level bus, through the genuine library."""

from __future__ import annotations

import csv
import errno
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.wire.wire_faults import AllBits, BitFlips, Refuse

from dewkeeper_drivers.contract import SHT3X
from dewkeeper_drivers.errors import (
    BusAbsent,
    DriverUnusable,
    ProbeCrc,
    ProbeError,
    ProbeGarbled,
    ProbeMissing,
    ProbeReset,
)

FRAMES = list(csv.DictReader((Path(__file__).parents[1] / "reference" / "sht3x_frames.csv").read_text().splitlines()))

SINGLE_SHOT_HIGH = b"\x24\x00"  # SHT3x-DIS data sheet v7, table 9: high repeatability, no clock stretching
HEATER_ON, HEATER_OFF, CLEAR_STATUS = b"\x30\x6d", b"\x30\x66", b"\x30\x41"  # sections 4.10 and 4.11


@pytest.mark.parametrize("frame", FRAMES, ids=[frame["six_bytes_hex"] for frame in FRAMES])
def test_reference_frames_decode(rig: Any, frame: dict[str, str]) -> None:
    """Frames with checksums by crccheck and values by the data sheet's formula read as those words and values."""
    chip = rig.direct()
    probe = rig.probe(rig.bus())
    chip.frozen = (int(frame["raw_T"]), int(frame["raw_RH"]))
    sample = probe.read()
    assert rig.sent("read", 0x44)[-2] == bytes.fromhex(frame["six_bytes_hex"])
    assert (sample.temperature_word, sample.humidity_word) == chip.frozen
    assert sample.temperature_c == pytest.approx(float(frame["t_C"]), abs=5e-5)
    assert sample.humidity_percent == pytest.approx(float(frame["rh_pct"]), abs=5e-5)


@pytest.mark.above_seam
@given(words=st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)))
@settings(max_examples=amount(50, 2000), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_words_come_back_whole(rig: Any, words: tuple[int, int]) -> None:
    """Every pair of words survives the library's conversion to values and back."""
    if not rig.wire.chips:
        rig.direct()
    rig.wire.chips[0].frozen = words
    bus = rig.buses[0] if rig.buses else rig.bus()
    sample = rig.probe(bus).read()
    assert (sample.temperature_word, sample.humidity_word) == words


def test_one_reading_is_one_conversion_without_clock_stretching(rig: Any) -> None:
    """A reading sends one measuring command, the one that does not stretch the clock, which the Pi cannot follow."""
    rig.direct()
    probe = rig.probe(rig.bus())
    rig.wire.trace.clear()
    probe.read()
    sent = rig.sent("write", 0x44)
    assert sent.count(SINGLE_SHOT_HIGH) == 1
    assert not [command for command in sent if command[:1] == b"\x2c"]


def test_opening_turns_the_heater_off(rig: Any) -> None:
    """A heater left on by somebody else is off once the probe is opened, even if its reset was ignored."""
    chip = rig.direct()
    chip.heater = True
    rig.wire.faults.append(Refuse(code=errno.EREMOTEIO, data=b"\x30\xa2", times=0))
    rig.probe(rig.bus())
    assert HEATER_OFF in rig.sent("write", 0x44)
    assert not chip.heater


def test_heater_found_on_is_noted_and_turned_off(rig: Any) -> None:
    """A heater that came on by itself flags the reading and is turned off; the next reading is clean."""
    chip = rig.direct()
    probe = rig.probe(rig.bus())
    chip.heater = True
    assert probe.read().notes == ("heater_on",)
    assert not chip.heater
    assert probe.read().notes == ()


def test_restart_between_readings_is_noted_once(rig: Any) -> None:
    """A sensor that lost its supply between two readings says so with the next one, once."""
    chip = rig.direct()
    probe = rig.probe(rig.bus())
    assert probe.read().notes == ()
    chip.power_cycle(rig.wire.now())
    rig.wire.pass_time(1.0)
    assert probe.read().notes == ("reset_seen",)
    assert probe.read().notes == ()


def test_restart_during_a_conversion_is_a_brownout(rig: Any) -> None:
    """A sensor that restarts while converting has no answer: that is a restart, not an absent probe."""
    chip = rig.direct()
    probe = rig.probe(rig.bus())

    def brown_out(wire: Any, transfer: Any, happen: Any) -> None:
        happen()
        if transfer.data == SINGLE_SHOT_HIGH:
            chip.power_cycle(wire.now())

    rig.wire.faults.append(brown_out)
    with pytest.raises(ProbeReset):
        probe.read()
    rig.wire.faults.clear()
    assert probe.read().notes == ()


def test_damaged_status_is_not_believed(rig: Any) -> None:
    """A status word that fails its checksum is an error, not a heater that is on."""
    rig.direct()
    probe = rig.probe(rig.bus())

    def spoil(wire: Any, transfer: Any, happen: Any) -> None:
        happen()
        if transfer.kind == "read" and len(transfer.result) == 3:
            transfer.result = b"\x20" + transfer.result[1:]

    rig.wire.faults.append(spoil)
    with pytest.raises(ProbeCrc, match="status"):
        probe.read()


@pytest.mark.parametrize("byte", [0x00, 0xFF], ids=["zeros", "ones"])
def test_lines_held_or_floating_are_refused(rig: Any, byte: int) -> None:
    """Frames of all ones and all zeros, what a broken wire reads as, fail the checksum."""
    rig.direct()
    probe = rig.probe(rig.bus())
    rig.wire.faults.append(AllBits(byte))
    with pytest.raises(ProbeCrc):
        probe.read()


def test_one_flipped_bit_is_read_again(rig: Any) -> None:
    """A single damaged answer costs a second conversion, not the reading."""
    chip = rig.direct(number=3)
    probe = rig.probe(rig.bus())
    flips = BitFlips(share=1.0)
    rig.wire.faults.append(flips)

    def only_once(wire: Any, transfer: Any, happen: Any) -> None:
        flips.share = 0.0 if flips.flipped else 1.0
        happen()

    rig.wire.faults.append(only_once)
    assert probe.read().temperature_word == 20_003
    assert flips.flipped == 1
    assert chip.converted == 2


@pytest.mark.above_seam
def test_bit_flips_never_give_a_wrong_value(rig: Any) -> None:
    """Over 2,000 readings with half of the answers damaged in one bit, none differs from what the sensor sent."""
    rig.direct(number=9)
    probe = rig.probe(rig.bus())
    rig.wire.faults.append(BitFlips(share=0.5, seed=5))
    good = 0
    for _ in range(2_000):
        try:
            sample = probe.read()
        except ProbeCrc:
            continue
        good += 1
        assert (sample.temperature_word, sample.humidity_word) == (20_009, 30_009)
    assert good > 1_000


def test_readings_beside_a_burst_of_damage_are_noted(rig: Any) -> None:
    """Three damaged answers in the last 32 make the whole ones of that bus suspect, until the bus is quiet again."""
    rig.direct(1, 0x44)
    rig.direct(2, 0x45)
    bus = rig.bus()
    sick, well = rig.probe(bus, 0x44), rig.probe(bus, 0x45)
    assert well.read().notes == ()
    rig.wire.faults.append(BitFlips(share=1.0, addresses=(0x44,)))
    with pytest.raises(ProbeCrc):
        sick.read()
    assert well.read().notes == ("crc_burst",)
    for _ in range(32):
        well.read()
    assert well.read().notes == ()


def test_absent_probe_is_missing_and_comes_back(rig: Any) -> None:
    """A probe that is not there is ProbeMissing on opening and on reading, and works again once it is back."""
    chip = rig.direct()
    chip.plugged = False
    bus = rig.bus()
    with pytest.raises(ProbeMissing):
        rig.probe(bus)
    chip.plugged = True
    probe = rig.probe(bus)
    chip.plugged = False
    with pytest.raises(ProbeMissing):
        probe.read()
    chip.plugged = True
    assert probe.read().temperature_word == 20_001


def test_missing_bus_is_bus_absent_until_it_appears(rig: Any) -> None:
    """A bus that does not exist is an error of each try; when it appears the same objects work."""
    rig.direct()
    rig.wire.exists = False
    bus = rig.bus()
    with pytest.raises(BusAbsent):
        rig.probe(bus)
    rig.wire.exists = True
    probe = rig.probe(bus)
    rig.wire.exists = False
    with pytest.raises(ProbeError):
        probe.read()
    with pytest.raises(BusAbsent):
        probe.read()
    rig.wire.exists = True
    assert probe.read().temperature_word == 20_001


def test_serial_is_the_chips_own(rig: Any) -> None:
    """The serial number is all 32 bits, asked anew each time."""
    chip = rig.direct()
    chip.serial = 0xDEADBEEF
    probe = rig.probe(rig.bus())
    assert probe.serial() == 0xDEADBEEF
    chip.serial = 7
    assert probe.serial() == 7


def test_what_cannot_be_wired_is_unusable(rig: Any, make_config: Any) -> None:
    """No bus, no address or an address the chip does not have is an error of the configuration."""
    from dewkeeper_drivers.sht31d import open_probe

    bus = rig.bus()
    for config, there in [(make_config(0x44), None), (make_config(None), bus), (make_config(0x46), bus)]:
        with pytest.raises(DriverUnusable):
            open_probe(config, there)


def test_scale_is_the_data_sheets() -> None:
    """The end points of the scale are the data sheet's (section 4.13): -45 and 130 °C, 0 and 100 %."""
    assert SHT3X.decode(0, 0) == (-45.0, 0.0)
    assert SHT3X.decode(65535, 65535) == (130.0, 100.0)


class _Measures:
    """Another program that has the sensor measure whenever we have asked for its serial number, and waits for it."""

    def __init__(self, times: int) -> None:
        self.times = times

    def __call__(self, wire: Any, transfer: Any, happen: Any) -> None:
        happen()
        if transfer.data == b"\x37\x80" and self.times > 0:
            self.times -= 1
            wire.chips[0].write(b"\x24\x00", wire.now())
            wire.pass_time(0.02)


@pytest.mark.parametrize("times", [1, 2, 3])
def test_a_measurement_is_not_taken_for_a_serial_number(times: int, rig: Any) -> None:
    """When another program has the sensor measure between question and answer the number is asked for again."""
    rig.direct(7)
    rig.wire.faults.append(_Measures(times))
    probe = rig.probe(rig.bus())
    probe.read()
    assert probe.serial() == 7


def test_without_an_end_to_it_there_is_no_serial_number(rig: Any) -> None:
    """While every answer is a measurement, in air that never changes, there is an error and no number."""
    rig.direct(7)
    rig.wire.faults.append(_Measures(1_000))
    probe = rig.probe(rig.bus())
    assert probe.read().temperature_word == 20_007
    with pytest.raises(ProbeGarbled, match="in place of its serial number"):
        probe.serial()


def test_a_serial_number_is_not_taken_for_a_measurement(rig: Any) -> None:
    """When another program asks for the serial number between conversion and answer, the conversion is made again."""
    chip = rig.direct(7)
    asked: list[int] = []

    def asks(wire: Any, transfer: Any, happen: Any) -> None:
        if transfer.kind == "read" and chip._answer is not None and len(asked) < 1 and chip.converted:
            asked.append(transfer.number)
            chip.write(b"\x37\x80", wire.now())
        happen()

    probe = rig.probe(rig.bus())
    rig.wire.faults.append(asks)
    assert probe.read().temperature_word == 20_007
    assert asked
