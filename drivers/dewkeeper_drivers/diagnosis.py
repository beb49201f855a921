"""Why a probe cannot be read, in plain words, and what to do about it: looked into on the bus itself.

What goes wrong at a first start is nearly always one of a few things, and each looks the same from above: no reading.
So the bus is asked around the silent place: is the bus there at all, does anybody answer at the address, who is it.
It costs some 30 ms of bus time, writes nothing to a chip that a kernel driver owns, and raises nothing.
"""

from __future__ import annotations

import errno
import os
import pwd
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Literal

from dewkeeper_config.models import ProbeConfig
from dewkeeper_drivers.adapters import owned_by_kernel, present_numbers
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.checksum import crc8
from dewkeeper_drivers.errors import (
    BranchLost,
    BusAbsent,
    BusBusy,
    BusError,
    BusStuck,
    DriverError,
    DriverUnusable,
    ProbeCrc,
    ProbeError,
    ProbeGarbled,
    ProbeMissing,
    ProbeReset,
)
from dewkeeper_drivers.multiplexers import ADDRESSES as MULTIPLEXER_ADDRESSES

SENSOR_ADDRESSES = (0x44, 0x45, 0x46)
HEADER_BUS = 1
"""/dev/i2c-1 is the bus on the Pi's pin header, on every model with 40 pins."""

ADVICE: tuple[tuple[type[DriverError], str, str], ...] = (
    (DriverUnusable, "correct the configuration, or install what the driver needs", "correct the file"),
    (
        BusAbsent,
        "check the bus number, and that I2C is switched on: `sudo raspi-config nonint do_i2c 0`, then reboot",
        "see page",
    ),
    (BusBusy, "end the other program, or wait for it", "see page"),
    (BusStuck, "unplug the probes of this branch one by one until the bus answers; look for a wet plug", "check plugs"),
    (
        BranchLost,
        "check the multiplexer's supply, address and wires; if it stays, pull its power once",
        "check its supply",
    ),
    (ProbeCrc, "shorten or shield the cable, check its supply and plugs; slow the bus down", "check cable"),
    (ProbeReset, "its supply drops out: check plug, cable length and power supply", "check supply"),
    (
        ProbeGarbled,
        "is another kind of sensor at this address? `dewkeeper probes scan` shows what is there",
        "check the chip",
    ),
    (ProbeMissing, "check its plug and address; `dewkeeper probes scan` shows what answers", "check plug"),
    (BusError, "check wires and pull-ups of this bus", "check wires"),
    (DriverError, "see the message", "see page"),
)
"""What to do about an error of which nothing more is known: a sentence, and a few words for a lock screen."""

_STATUS_3X, _SERIAL_3X, _SERIAL_4X = b"\xf3\x2d", b"\x37\x80", b"\x89"
"""The questions the drivers ask too: SHT3x-DIS data sheet v7, section 4.11; SHT4x data sheet, section 4.5."""
_ASKED = 3

SWITCHED_OFF = (
    "there is no /dev/i2c-*: I2C is switched off. Switch it on (`sudo raspi-config nonint do_i2c 0`) and reboot"
)
_WIRES = "VIN to 3.3 V, GND to ground, SDA to GPIO 2, SCL to GPIO 3, SDA and SCL not exchanged"

NOTHING_ANSWERS = f"the wires at the Pi ({_WIRES}); the plugs; that it is this bus the sensors hang on; then one sensor alone on a short cable"
"""What to check, in this order, where a whole bus is silent."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """scope: what is at fault, the whole bus, the multiplexer or the probe alone. brief: `advice` for a lock screen.

    scope "wire": something on the way to it, which the bus finds out by itself as it goes on (`Bus.faults`).
    """

    scope: Literal["bus", "multiplexer", "probe", "wire"]
    text: str
    advice: str
    brief: str


def advised(error: DriverError) -> tuple[str, str]:
    """Return what to do about an error, and the same in a few words."""
    return next((advice, brief) for kind, advice, brief in ADVICE if isinstance(error, kind))


def diagnose(
    probe: ProbeConfig,
    bus: Bus | None,
    error: DriverError,
    taken: Collection[int] = (),
    numbers: Callable[[], Collection[int]] = present_numbers,
) -> Diagnosis:
    """Return why `error` came of opening or reading a probe.

    taken: addresses of other probes on its branch. numbers: which buses /dev has.
    """
    advice, brief = advised(error)
    plain = Diagnosis(_scope(error), str(error), advice, brief)
    if bus is None or probe.address is None or isinstance(error, DriverUnusable):
        return plain
    if isinstance(error, BusAbsent):
        return _absent(bus, error, numbers) or plain
    if isinstance(error, (BusBusy, BusStuck, ProbeReset)):
        return plain
    try:
        return _Look(bus, probe, probe.address, taken).find(error) or plain
    except ProbeError:
        return plain  # the bus cannot be asked: what is known stays all that is known


def _scope(error: DriverError) -> Literal["bus", "probe", "wire"]:
    if isinstance(error, (BusAbsent, BusBusy)):
        return "bus"
    return "wire" if isinstance(error, BusError) else "probe"


def diagnose_bus(bus: Bus, error: DriverError) -> Diagnosis | None:
    """Return why a bus cannot be opened, None where no more is known than `error` says."""
    return _absent(bus, error, present_numbers) if isinstance(error, BusAbsent) else None


def _absent(bus: Bus, error: BusAbsent, numbers: Callable[[], Collection[int]]) -> Diagnosis | None:
    device = f"/dev/i2c-{bus.number}"
    if error.code in (errno.EACCES, errno.EPERM):
        advice = f"`sudo usermod -aG i2c {_user()}`, then log in again (the daemon: `sudo systemctl restart dewkeeper`); " \
            f"`ls -l {device}` shows which group it belongs to"  # fmt: skip
        return Diagnosis(
            "bus", f"{device} may not be opened: is user {_user()} in group i2c?", advice, "join group i2c"
        )
    if error.code != errno.ENOENT:
        return None
    there = numbers()
    if bus.number == HEADER_BUS or HEADER_BUS not in there:
        text = f"{device} is not there: I2C is switched off"
        return Diagnosis("bus", text, "switch I2C on (`sudo raspi-config nonint do_i2c 0`) and reboot", "switch I2C on")
    listed = ", ".join(str(number) for number in there)
    advice = f"there are buses {listed}: correct `number` of bus {bus.name}; if it is a channel of the kernel's " \
        "multiplexer, check its `dtoverlay` line in /boot/firmware/config.txt (`i2cdetect -l` lists the channels)"  # fmt: skip
    return Diagnosis("bus", f"{device} is not there", advice, "correct bus number")


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


class _Look:
    """One look around the place of a silent probe."""

    def __init__(self, bus: Bus, probe: ProbeConfig, address: int, taken: Collection[int]) -> None:
        self._bus = bus
        self._probe = probe
        self._address = address
        self._taken = taken
        self._name = f"{address:#04x}"

    def find(self, error: DriverError) -> Diagnosis | None:
        """Return what can be told for sure, None when it is no more than `error` says. Raises ProbeError."""
        if owned_by_kernel(self._bus.link.adapter, self._address):
            return Diagnosis(
                "probe", f"a driver of the kernel has the chip at {self._name}",
                "read it through the kernel (driver = \"hwmon\"), or take its `dtoverlay` line out of /boot/firmware/config.txt",
                "see page",
            )  # fmt: skip
        direct = self._answering(None, (*SENSOR_ADDRESSES, *MULTIPLEXER_ADDRESSES))
        if not direct:
            text = f"nothing at all answers on bus {self._bus.name}"
            return Diagnosis("bus", text, f"check the wires at the Pi: {_WIRES}", "check wires at Pi")
        if isinstance(error, BranchLost):
            return self._branch(direct)
        here = direct
        if self._probe.multiplexer is not None:
            if self._address in direct:
                return Diagnosis(
                    "probe", f"two sensors answer at {self._name}: one of them hangs on the bus itself, before the multiplexer",
                    "move that one to a free channel; each address only once where both can answer", f"two at {self._name}",
                )  # fmt: skip
            here = self._answering(self._probe.channel, SENSOR_ADDRESSES)
        return self._chip() if self._address in here else self._empty(here)

    def _answering(self, channel: int | None, addresses: Collection[int]) -> list[int]:
        multiplexer = None if channel is None else self._probe.multiplexer
        with self._bus.session(self._bus.port(multiplexer, channel)):
            return [address for address in addresses if self._bus.link.ask(address, tries=2)]

    def _branch(self, direct: Collection[int]) -> Diagnosis | None:
        wanted = self._probe.multiplexer
        if wanted is None:
            return None
        if wanted in direct:
            if self._address in direct:
                return Diagnosis(
                    "probe", f"{self._name} answers before any channel is selected: a sensor hangs on the bus itself, or a "
                    "multiplexer is stuck open", "move that sensor to a free channel, or pull the multiplexer's power once",
                    f"two at {self._name}",
                )  # fmt: skip
            return None
        others = [a for a in direct if a in MULTIPLEXER_ADDRESSES and a not in self._bus.multiplexers]
        text, advice = f"multiplexer {wanted:#04x} does not answer", "check its supply and wires, and its pins A0 to A2"
        if others:
            text += f", but one answers at {_hex(others)}"
            advice = f"correct its address in the configuration to {_hex(others)}, or its pins A0 to A2"
        return Diagnosis("multiplexer", text, advice, "check multiplexer")

    def _empty(self, here: Collection[int]) -> Diagnosis:
        free = [address for address in here if address in SENSOR_ADDRESSES and address not in self._taken]
        where = f" on channel {self._probe.channel}" if self._probe.channel is not None else ""
        text = f"nobody answers at {self._name}{where}"
        if free:
            return Diagnosis(
                "probe", f"{text}, but a chip does at {_hex(free)}",
                f"set `address = {free[0]:#04x}`, or its ADDR pin: open or ground is 0x44, to 3.3 V is 0x45", "correct address",
            )  # fmt: skip
        advice = "check its plug and wires: VIN to 3.3 V, GND to ground, SDA and SCL not exchanged"
        if self._probe.channel is not None:
            advice += "; `dewkeeper probes scan` shows on which channel each sensor is"
        return Diagnosis("probe", text, advice, "check plug")

    def _chip(self) -> Diagnosis | None:
        """Somebody answers at the address: who, and how many? None when it is what it should be, and only ails."""
        with self._bus.session(self._bus.port(self._probe.multiplexer, self._probe.channel)):
            status, serial = self._says(_STATUS_3X, 3), self._says(_SERIAL_3X, 6)
            if status == "sound":
                # Two numbers laid over each other come wrong in the same way each time.
                if serial == "wrong":
                    return Diagnosis(
                        "probe", f"two sensors answer at {self._name} at once",
                        "give one of them the other address (ADDR pin to 3.3 V: 0x45), or a channel of its own",
                        f"two at {self._name}",
                    )  # fmt: skip
                return self._other("sht31d", "an SHT3x") if self._probe.driver == "sht4x" else None
            if "noise" in (status, serial):
                return None
            if self._says(_SERIAL_4X, 6) == "sound":
                return self._other("sht4x", "an SHT4x") if self._probe.driver == "sht31d" else None
        kind = {"sht31d": "SHT3x", "sht4x": "SHT4x"}.get(self._probe.driver, "sensor of this driver")
        return Diagnosis(
            "probe", f"the chip at {self._name} is no {kind}",
            "unplug it, or set `driver` to what it is; `dewkeeper probes scan` shows what is known of it", "check the chip",
        )  # fmt: skip

    def _other(self, driver: str, chip: str) -> Diagnosis:
        text = f"the chip at {self._name} is {chip}, the configuration says {self._probe.driver}"
        return Diagnosis("probe", text, f'set `driver = "{driver}"`', "correct driver")

    def _says(self, command: bytes, count: int) -> Literal["sound", "wrong", "noise", "nothing"]:
        """Ask a few times: whole answers, wrong in the same way each time, damaged in different ways, or none at all."""
        answers = {self._raw(command, count) for _ in range(_ASKED)}
        if any(answer is not None and _sound(answer) for answer in answers):
            return "sound"
        if len(answers) > 1:
            return "noise"
        return "nothing" if None in answers else "wrong"

    def _raw(self, command: bytes, count: int) -> bytes | None:
        link = self._bus.link
        try:
            link.write(self._address, command)
            link.sleep(0.002)
            return link.read(self._address, count)
        except ProbeMissing:
            link.trouble = None  # that it does not know the command is an answer
            return None


def _sound(answer: bytes) -> bool:
    words = [answer[i : i + 3] for i in range(0, len(answer), 3)]
    return all(crc8(word[:2]) == word[2] for word in words)


def _hex(addresses: Collection[int]) -> str:
    return ", ".join(f"{address:#04x}" for address in addresses)
