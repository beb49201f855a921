"""Buses, multiplexers and the probes on them."""

from __future__ import annotations

from typing import Annotated, Literal

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.values import CheckedBy, check_numbers

Role = Literal["substrate", "warm_end", "humid_hide", "room"]

ADDRESSES = {"sht31d": (0x44, 0x45), "sht4x": (0x44, 0x45, 0x46)}
"""Drivers of this project that sit on I2C, with the addresses their chips can have (data sheets)."""


class Multiplexer(Model):
    """A TCA9548A or PCA9548 driven from user space. The kernel's driver is better: then list its buses instead."""

    address: int = Field(default=0x70, ge=0x70, le=0x77, description="I2C address, 0x70 to 0x77.")


class BusConfig(Model):
    """One I2C bus."""

    name: Name = Field(description="The name probes refer to.", examples=["i2c1"])
    kind: str = Field(
        default="linux", description="`linux` for /dev/i2c-N; others come from installed packages (`wire` in the demo)."
    )
    number: int = Field(default=1, ge=0, le=255, description="N of /dev/i2c-N.")
    adapter: str | None = Field(
        default=None,
        description="Buses with the same adapter name share one worker (kernel multiplexer channels). "
        "Default: the bus name.",
        examples=["i2c1"],
    )
    multiplexers: list[Multiplexer] = Field(
        default=[], description="User-space multiplexers on this bus.", examples=[[{"address": 0x70}]]
    )
    options: dict[str, str | int | float | bool] = Field(
        default={}, description="Options of a bus kind other than `linux`."
    )


class BusTable(BusConfig):
    """One I2C bus, or with `numbers` a row of them."""

    numbers: Annotated[str, CheckedBy(check_numbers)] | None = Field(
        default=None,
        max_length=200,
        description="Instead of `number`, many buses alike: `30-37` are /dev/i2c-30 to /dev/i2c-37. "
        "Each is called by this name and its number: `left 30`.",
        examples=["30-37"],
    )


class SensorTraits(Model):
    """What a sensor is, apart from where it hangs."""

    driver: str = Field(
        default="sht31d", description="Driver name: `sht31d`, `sht4x`, `hwmon`, `simulated` or an installed one."
    )
    placement: str = Field(default="", max_length=200, description="Where exactly: end, height, depth.")
    rounded: bool = Field(
        default=False,
        description="The data are rounded (hwmon, imports): flat-line needs 60 min instead of 10 readings.",
    )
    options: dict[str, str | int | float | bool] = Field(default={}, description="Options of the driver.")


class SensorWires(Model):
    """Where a sensor hangs."""

    bus: Name | None = Field(default=None, description="Bus it hangs on.", examples=["i2c1"])
    address: int | None = Field(
        default=None, ge=0x08, le=0x77, description="I2C address, 0x44 or 0x45 for an SHT31-D.", examples=[0x44]
    )
    multiplexer: int | None = Field(
        default=None,
        ge=0x70,
        le=0x77,
        description="Address of the user-space multiplexer it hangs behind.",
        examples=[0x70],
    )
    channel: int | None = Field(default=None, ge=0, le=7, description="Channel of that multiplexer.", examples=[0])
    serial: int | None = Field(
        default=None, ge=0, description="Serial number, if you want it checked.", examples=[12345678]
    )


class _ProbeHead(Model):
    name: Name = Field(description="Unique name.", examples=["b4"])
    enclosure: Name | None = Field(
        default=None, description="Enclosure it reads; left out for a room probe.", examples=["B4"]
    )
    room: Name | None = Field(default=None, description="Room it reads, for role `room`.", examples=["room"])
    role: Role = Field(default="substrate", description="`substrate` is judged; the others inform.")


class ProbeConfig(SensorTraits, SensorWires, _ProbeHead):
    """One probe and where it is."""
