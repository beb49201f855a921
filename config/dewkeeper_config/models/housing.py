"""Racks and what stands in them, one by one or a rack at a time."""

from __future__ import annotations

from typing import Annotated, Literal

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.models.limits import Limits
from dewkeeper_config.models.wiring import SensorTraits, SensorWires
from dewkeeper_config.values import Allowed

Lever = Literal["misting", "bowl_size", "bowl_place", "mesh_cover", "holes", "substrate", "humid_hide"]


class Rack(Model):
    """A rack or a group of furnished enclosures in one room."""

    name: Name = Field(description="The name enclosures refer to.", examples=["left"])
    room: Name = Field(default="room", description="The room it stands in; enclosures of a room share its air.")


class EnclosureTraits(Model):
    """What an enclosure is, apart from its name and place."""

    kind: Literal["tub", "furnished", "egg_box"] = Field(default="tub", description="What it is.")
    profile: Name = Field(default="adult", description="Built-in or own profile whose limits apply.")
    limits: Limits | None = Field(
        default=None, description="Limits of this enclosure alone; what is left out is the profile's."
    )
    open_water: bool = Field(
        default=True, description="Has an open water bowl: then it cannot be drier than its room for long."
    )
    heater: bool = Field(default=True, description="Has its own heat source.")
    levers: list[Lever] = Field(
        default=["misting", "bowl_size", "bowl_place", "substrate", "humid_hide"],
        description="What the keeper can change here; advice chooses among these.",
    )
    mesh_near_heat: bool = Field(
        default=False, description="A mesh lid close to a lamp or heater: covering it risks fire."
    )


class _EnclosureHead(Model):
    name: Name = Field(description="Short name, as you would write it on the tub: `B4`.", examples=["B4"])
    rack: Name = Field(description="Rack it belongs to.", examples=["left"])
    shelf: int = Field(default=1, ge=1, le=99, description="Shelf, counted from the top.")
    place: int = Field(default=1, ge=1, le=99, description="Place on the shelf, counted from the left.")


class Enclosure(EnclosureTraits, _EnclosureHead):
    """One tub, vivarium or egg box."""


class RackProbes(SensorTraits):
    """The probes of a rack's tubs: one in each, wired in the order of the places.

    The first place gets the first address on the first channel of the first multiplexer, and so on: addresses change
    fastest, then channels, multiplexers, buses. A place that is empty keeps its wires, so nothing after it moves.
    """

    name: str | None = Field(
        default=None,
        min_length=1,
        max_length=60,
        description="Name of each, with `{tub}` for its tub's; left out: the tub's name in small letters.",
        examples=["{tub} floor"],
    )
    bus: Name | None = Field(
        default=None, description="Bus they hang on, or the name of a row of buses (`numbers`).", examples=["i2c1"]
    )
    multiplexers: list[Annotated[int, Allowed(ge=0x70, le=0x77)]] = Field(
        default=[],
        max_length=8,
        description="Addresses of the user-space multiplexers on it, in the order of the places.",
        examples=[[0x70, 0x71, 0x72]],
    )
    channels: list[Annotated[int, Allowed(ge=0, le=7)]] = Field(
        default=[0, 1, 2, 3, 4, 5, 6, 7],
        min_length=1,
        max_length=8,
        description="Channels used of each multiplexer, in that order.",
    )
    addresses: list[Annotated[int, Allowed(ge=0x08, le=0x77)]] = Field(
        default=[0x44, 0x45], min_length=1, max_length=8, description="Addresses used on each channel, in that order."
    )


class TubProbe(SensorTraits, SensorWires):
    """What differs in one tub's probe."""

    name: Name | None = Field(default=None, description="Its name.", examples=["c3"])


class TubException(EnclosureTraits):
    """What differs in one tub. What is left out is as in `each`."""

    empty: bool = Field(default=False, description="No tub stands there.")
    probe: TubProbe = Field(default=TubProbe(), description="What differs in its probe.", examples=[{"channel": 5}])


class RackTable(Rack):
    """A rack or a group of furnished enclosures in one room. With `shelves` the file need not name its tubs one by one."""

    shelves: list[Annotated[int, Allowed(ge=0, le=99)]] = Field(
        default=[],
        max_length=99,
        description="How many places each shelf has, from the top: `[4, 4, 3]`. Left out: every enclosure is an "
        "`[[enclosure]]` of its own.",
        examples=[[4, 4, 3]],
    )
    tubs: str = Field(
        default="{letter}{place}",
        min_length=1,
        max_length=60,
        description="What the tubs are called: `{letter}` or `{shelf}` for the shelf, `{place}` on it, or `{number}` "
        "through the whole rack.",
    )
    each: EnclosureTraits = Field(default=EnclosureTraits(), description="What all tubs have in common.")
    probe: RackProbes | None = Field(
        default=None,
        description="The probes in them; left out: each is a `[[probe]]` of its own.",
        examples=[{"bus": "i2c1", "multiplexers": [0x70], "placement": "cool end, just above the substrate"}],
    )
    exceptions: dict[str, TubException] = Field(
        default={},
        description="What differs, by tub: one name, several with commas, or `shelf 3`.",
        examples=[{"A3, A4": {"profile": "hatchling"}, "B2": {"empty": True}}],
    )
