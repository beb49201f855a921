"""Every driver is held to the same contract, by the suite that is shipped."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest
from tests.wire.wire_faults import BitFlips

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_drivers.contract import SHT3X, Sample
from dewkeeper_drivers.contract_suite import ContractBroken, check_probe
from dewkeeper_drivers.errors import DriverUnusable
from dewkeeper_drivers.registry import open_probe
from dewkeeper_drivers.simulated import register_clock


def _hands(wire: Wire, chip: Any) -> dict[str, Any]:
    """Return what the suite does to a chip and its wire."""
    flips = BitFlips(share=1.0, addresses={chip.address})
    return {
        "unplug": lambda: setattr(chip, "plugged", False),
        "replug": lambda: setattr(chip, "plugged", True),
        "damage": lambda: wire.faults.append(flips),
        "mend": lambda: wire.faults.remove(flips),
        "conversions": lambda: chip.converted,
    }


def test_sht31d_direct_keeps_the_contract(rig: Any) -> None:
    """An SHT31-D on the bus itself passes the suite, absence and damage included."""
    chip = rig.direct()
    bus = rig.bus()
    check_probe(lambda: rig.probe(bus), **_hands(rig.wire, chip))


def test_sht31d_behind_a_multiplexer_keeps_the_contract(rig: Any) -> None:
    """An SHT31-D behind a user-space multiplexer passes the suite, absence and damage included."""
    chip = rig.behind(rig.wire.add_mux(0x71), 6, 1)
    bus = rig.bus()
    check_probe(lambda: rig.probe(bus, mux=0x71, channel=6), **_hands(rig.wire, chip))


def test_sht4x_keeps_the_contract(rig: Any) -> None:
    """An SHT4x passes the suite, direct and behind a multiplexer, absence and damage included."""
    for channel, mux in ((None, None), (2, rig.wire.add_mux(0x72))):
        chip = Sht4x(lambda: (24.0, 71.0), serial=0xCAFE0001, address=0x46 if mux is None else 0x44)
        rig.wire.attach(chip) if mux is None else mux.channels[2].append(chip)
        bus = rig.bus()
        opener = partial(rig.probe, bus, chip.address, mux.address if mux else None, channel, driver="sht4x")
        check_probe(opener, **_hands(rig.wire, chip))


def test_hwmon_keeps_the_contract(make_config: Any, tmp_path: Path) -> None:
    """A probe the kernel reads passes the suite; unplugged, its folder is gone."""
    chip, away = tmp_path / "hwmon3", tmp_path.parent / f"{tmp_path.name}-away"
    chip.mkdir()
    for name, text in {"name": "sht3x\n", "temp1_input": "24310\n", "humidity1_input": "66120\n"}.items():
        (chip / name).write_text(text)
    config = make_config(None, driver="hwmon", bus=None, options={"folder": str(tmp_path), "chip": "sht3x"})
    check_probe(lambda: open_probe(config, None), unplug=lambda: chip.rename(away), replug=lambda: away.rename(chip))


def test_simulated_keeps_the_contract(make_config: Any) -> None:
    """The simulated probe passes the suite; its unplugging is a fault of its time."""
    now = [1000.0]
    register_clock("contract", lambda: now[0])
    options = {"clock": "contract", "fault": "drop", "fault_after_seconds": 60, "fault_for_seconds": 60}
    config = make_config(None, driver="simulated", bus=None, options=options)

    check_probe(
        lambda: open_probe(config, None),
        unplug=lambda: now.__setitem__(0, 1090.0),
        replug=lambda: now.__setitem__(0, 1000.0),
    )


class _Bad:
    """A driver with one thing wrong."""

    def __init__(self, sample: object = None, serial: object = 5) -> None:
        self._sample = sample or Sample(1, 2, SHT3X)
        self._serial = serial

    def read(self) -> Any:
        return self._sample

    def serial(self) -> Any:
        return self._serial

    def close(self) -> None:
        return


@pytest.mark.parametrize(
    "bad",
    [
        _Bad(sample=(21.5, 60.0)),
        _Bad(sample=Sample(70_000, 2, SHT3X)),
        _Bad(sample=Sample(1, 2, SHT3X, ("odd",))),
        _Bad(serial="5"),
        _Bad(serial=-1),
    ],
    ids=["tuple", "word too large", "unknown note", "text serial", "negative serial"],
)
def test_suite_catches_a_bad_driver(bad: _Bad) -> None:
    """The suite refuses wrong samples and serial numbers."""
    with pytest.raises(ContractBroken):
        check_probe(lambda: bad)


def test_suite_catches_two_conversions(rig: Any) -> None:
    """The suite refuses a reading whose two values come from two conversions."""
    chip = rig.direct()
    bus = rig.bus()

    class Twice:
        def __init__(self) -> None:
            self._probe = rig.probe(bus)

        def read(self) -> Sample:
            self._probe.read()
            return self._probe.read()  # type: ignore[no-any-return]

        def serial(self) -> int | None:
            return self._probe.serial()  # type: ignore[no-any-return]

        def close(self) -> None:
            self._probe.close()

    with pytest.raises(ContractBroken, match="2 conversions"):
        check_probe(Twice, conversions=lambda: chip.converted)


def test_suite_catches_a_driver_that_checks_no_checksum() -> None:
    """A driver that takes a damaged answer for a reading is refused."""
    with pytest.raises(ContractBroken, match="damaged answer returned a sample"):
        check_probe(_Bad, damage=lambda: None, mend=lambda: None)


def test_suite_catches_the_wrong_kind_of_error() -> None:
    """A driver that says of an unplugged probe that no reading will ever come is refused."""
    gone = [False]

    class Quitter(_Bad):
        def read(self) -> Any:
            if gone[0]:
                raise DriverUnusable("give up")
            return super().read()

    with pytest.raises(ContractBroken, match="no reading will ever come"):
        check_probe(Quitter, unplug=lambda: gone.__setitem__(0, True), replug=lambda: gone.__setitem__(0, False))
