"""Racks and what stands in them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from dewkeeper_config.models.base import Model, Name
from dewkeeper_config.models.limits import Limits

Lever = Literal["misting", "bowl_size", "bowl_place", "mesh_cover", "holes", "substrate", "humid_hide"]


class Rack(Model):
    """A rack or a group of furnished enclosures in one room."""

    name: Name = Field(description="The name enclosures refer to.", examples=["left"])
    room: Name = Field("room", description="The room it stands in; enclosures of a room share its air.")


class Enclosure(Model):
    """One tub, vivarium or egg box."""

    name: Name = Field(description="Short name, as you would write it on the tub: `B4`.", examples=["B4"])
    rack: Name = Field(description="Rack it belongs to.", examples=["left"])
    shelf: int = Field(1, ge=1, le=99, description="Shelf, counted from the top.")
    place: int = Field(1, ge=1, le=99, description="Place on the shelf, counted from the left.")
    kind: Literal["tub", "furnished", "egg_box"] = Field("tub", description="What it is.")
    profile: Name = Field("adult", description="Built-in or own profile whose limits apply.")
    limits: Limits | None = Field(
        None, description="Limits of this enclosure alone; what is left out is the profile's."
    )
    open_water: bool = Field(
        True, description="Has an open water bowl: then it cannot be drier than its room for long."
    )
    heater: bool = Field(True, description="Has its own heat source.")
    levers: list[Lever] = Field(
        ["misting", "bowl_size", "bowl_place", "substrate", "humid_hide"],
        description="What the keeper can change here; advice chooses among these.",
    )
    mesh_near_heat: bool = Field(False, description="A mesh lid close to a lamp or heater: covering it risks fire.")
    volume_litres: float | None = Field(None, gt=0, le=10000, description="Air volume, litres.", examples=[40])
