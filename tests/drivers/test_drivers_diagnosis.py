"""The likeliest faults of a first start, each on the emulated wire: what is wrong is named, and what to do."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.wire.wire_faults import BitFlips

from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_drivers.adapters import Adapter, present_numbers
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.diagnosis import Diagnosis, diagnose
from dewkeeper_drivers.errors import DriverError
from dewkeeper_drivers.registry import open_probe

MakeConfig = Callable[..., ProbeConfig]


class PowerMonitor:
    """A chip that is no sensor and may have a sensor's address: two-byte registers without any checksum."""

    address = 0x44

    def __init__(self) -> None:
        self.told: list[bytes] = []

    def write(self, data: bytes, now: float) -> bool:
        """Take anything."""
        if data:
            self.told.append(data)
        return True

    def read(self, count: int, now: float) -> bytes | None:
        """Give a register, then ones."""
        return (b"\x39\x9f" + b"\xff" * count)[:count]


def found(bus: Bus, probe: ProbeConfig, **more: Any) -> Diagnosis:
    """Return the diagnosis of a probe that must not open, or not be read."""
    bus.begin_cycle()
    with pytest.raises(DriverError) as raised:
        open_probe(probe, bus).read()
    return diagnose(probe, bus, raised.value, **more)


def unopened(code: int, number: int = 1) -> Bus:
    """Return a bus whose device gives this error when it is opened, as the kernel gives it."""

    def opener(bus: BusConfig) -> Adapter:
        raise OSError(code, "as the kernel says", f"/dev/i2c-{bus.number}")

    return Bus(BusConfig(name="w", number=number), opener)


def test_i2c_switched_off_is_said_with_the_command_that_switches_it_on(make_config: MakeConfig) -> None:
    """Without /dev/i2c-1 the advice is raspi-config's command and a reboot, even where a screen has buses 20 and 21."""
    for there in ([], [20, 21]):
        said = found(unopened(errno.ENOENT), make_config(), numbers=lambda there=there: there)
        assert said.text == "/dev/i2c-1 is not there: I2C is switched off"
        assert said.advice == "switch I2C on (`sudo raspi-config nonint do_i2c 0`) and reboot"
        assert (said.scope, said.brief) == ("bus", "switch I2C on")


def test_a_bus_number_that_is_not_there_lists_those_that_are(make_config: MakeConfig) -> None:
    """With I2C on, a wrong number is told beside the right ones."""
    said = found(unopened(errno.ENOENT, 10), make_config(), numbers=lambda: [1, 20, 21])
    assert said.text == "/dev/i2c-10 is not there"
    assert "there are buses 1, 20, 21: correct `number` of bus w" in said.advice


def test_no_permission_is_said_with_the_group(make_config: MakeConfig) -> None:
    """A device that may not be opened names the group and the command that joins it."""
    said = found(unopened(errno.EACCES), make_config())
    assert "may not be opened" in said.text
    assert "usermod -aG i2c" in said.advice


def test_the_numbers_are_those_of_the_devices(tmp_path: Path) -> None:
    """Only /dev/i2c-N counts, in the order of N."""
    for name in ("i2c-10", "i2c-2", "i2c-dev", "spidev0.0"):
        (tmp_path / name).touch()
    assert present_numbers(tmp_path) == [2, 10]


def test_nothing_on_the_whole_bus_points_at_the_wires(rig: Any, make_config: MakeConfig) -> None:
    """If nobody answers at all, it is one trouble of the bus, most likely SDA and SCL exchanged or no supply."""
    said = found(rig.bus(), make_config())
    assert (said.scope, said.text) == ("bus", "nothing at all answers on bus w")
    assert "SDA and SCL not exchanged" in said.advice


def test_an_empty_address_beside_a_sensor_names_the_other_address(rig: Any, make_config: MakeConfig) -> None:
    """A sensor whose ADDR pin is high answers at 0x45: the configuration that says 0x44 is told so."""
    rig.direct(1, 0x45)
    said = found(rig.bus(), make_config(0x44))
    assert said.text == "nobody answers at 0x44, but a chip does at 0x45"
    assert "address = 0x45" in said.advice


def test_the_other_address_is_not_offered_when_another_probe_has_it(rig: Any, make_config: MakeConfig) -> None:
    """What belongs to the probe beside it is no proposal."""
    rig.direct(1, 0x45)
    said = found(rig.bus(), make_config(0x44), taken=[0x45])
    assert (said.text, said.brief) == ("nobody answers at 0x44", "check plug")


def test_an_empty_channel_is_named(rig: Any, make_config: MakeConfig) -> None:
    """Behind a multiplexer the channel is part of what is said."""
    rig.behind(rig.wire.add_mux(0x70), 2, number=1)
    said = found(rig.bus(), make_config(0x44, 0x70, 3))
    assert said.text == "nobody answers at 0x44 on channel 3"
    assert "probes scan" in said.advice


def test_a_multiplexer_at_another_address_is_named(rig: Any, make_config: MakeConfig) -> None:
    """The configured multiplexer is silent and another one answers: its address is the proposal."""
    rig.behind(rig.wire.add_mux(0x71), 2, number=1)
    bus = open_bus(rig.config().but(multiplexers=[Multiplexer(address=0x70)]))
    rig.buses.append(bus)
    said = found(bus, make_config(0x44, 0x70, 2))
    assert (said.scope, said.text) == ("multiplexer", "multiplexer 0x70 does not answer, but one answers at 0x71")


def test_two_sensors_at_one_address_are_told_apart_from_a_bad_cable(rig: Any, make_config: MakeConfig) -> None:
    """Two chips lay their serial numbers over each other, always the same way; noise is another one each time."""
    rig.direct(0x12345678)
    rig.direct(0x0BADCAFE)
    assert found(rig.bus(), make_config()).text == "two sensors answer at 0x44 at once"


def test_a_cable_that_damages_every_answer_is_not_taken_for_two_sensors(rig: Any, make_config: MakeConfig) -> None:
    """One sensor on a wire that flips bits in each answer is a matter of the cable."""
    rig.direct(0x12345678)
    rig.wire.faults.append(BitFlips(share=1.0, bits=2, seed=3))
    said = found(rig.bus(), make_config())
    assert "two" not in said.text
    assert "cable" in said.advice


def test_a_sensor_before_the_multiplexer_with_the_address_of_one_behind_is_named(
    rig: Any, make_config: MakeConfig
) -> None:
    """One on the bus itself answers together with every channel's: that is told, not a damaged answer."""
    rig.behind(rig.wire.add_mux(0x70), 2, number=0x12345678)
    rig.direct(0x0BADCAFE)
    said = found(rig.bus(), make_config(0x44, 0x70, 2))
    assert "one of them hangs on the bus itself" in said.text


def test_a_chip_that_is_no_sensor_is_said(rig: Any, make_config: MakeConfig) -> None:
    """Something else at 0x44 is told as no SHT3x."""
    rig.wire.attach(PowerMonitor())
    assert found(rig.bus(), make_config()).text == "the chip at 0x44 is no SHT3x"


def test_an_sht4x_declared_as_sht31d_is_said_with_the_right_driver(rig: Any, make_config: MakeConfig) -> None:
    """The sister family at the same address: the advice is the line to write."""
    rig.wire.attach(Sht4x(lambda: (22.0, 55.0), serial=77))
    said = found(rig.bus(), make_config())
    assert "is an SHT4x" in said.text
    assert said.advice == 'set `driver = "sht4x"`'


def test_an_sht31d_declared_as_sht4x_is_said_with_the_right_driver(rig: Any, make_config: MakeConfig) -> None:
    """And the other way round."""
    rig.direct(5)
    assert found(rig.bus(), make_config(driver="sht4x")).advice == 'set `driver = "sht31d"`'


def test_looking_leaves_every_channel_closed(rig: Any, make_config: MakeConfig) -> None:
    """A look into a silent channel closes what it opened."""
    rig.behind(rig.wire.add_mux(0x70), 2, number=1)
    found(rig.bus(), make_config(0x44, 0x70, 3))
    assert rig.wire.muxes[0].mask == 0
