"""The limits an enclosure is judged by, and the profiles that give them."""

from __future__ import annotations

from typing import Annotated, Literal

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.values import Allowed

Humidity = Annotated[float, Allowed(ge=0, le=100)]
Temperature = Annotated[float, Allowed(ge=-40, le=80)]
Stage = Literal["adult", "hatchling", "opaque", "gravid", "quarantine", "egg_box"]


class HumiditySpan(Model):
    """A humidity band in %RH."""

    low: Humidity = Field(description="Lowest humidity inside the band, %RH, 0 to 100.")
    high: Humidity = Field(description="Highest humidity inside the band, %RH, 0 to 100.")


class TemperatureSpan(Model):
    """A temperature band in °C."""

    low: Temperature = Field(description="Lowest temperature inside the band, °C, -40 to 80.")
    high: Temperature = Field(description="Highest temperature inside the band, °C, -40 to 80.")


class Delays(Model):
    """How long a state must last before it is told, and before it counts as over."""

    dry_tolerable_minutes: float = Field(
        default=60.0, gt=0, le=1440, description="Below tolerable humidity this long raises `dry`."
    )
    dry_target_minutes: float = Field(
        default=180.0, gt=0, le=4320, description="Below target humidity this long raises `dry`."
    )
    damp_tolerable_minutes: float = Field(
        default=180.0, gt=0, le=4320, description="Above tolerable humidity this long raises `damp`."
    )
    damp_target_minutes: float = Field(
        default=1440.0, gt=0, le=10080, description="Above target humidity this long raises `damp`."
    )
    cold_minutes: float = Field(
        default=30.0, gt=0, le=720, description="Below tolerable temperature this long raises `cold`."
    )
    hot_samples: int = Field(
        default=2, ge=2, le=10, description="So many consecutive readings above tolerable raise `hot`."
    )
    off_minutes: float = Field(
        default=10.0, gt=0, le=240, description="Back past the limit by the deadband this long clears an alarm."
    )
    humidity_deadband: float = Field(default=2.0, ge=0, le=20, description="Deadband of the humidity limits, %RH.")
    temperature_deadband: float = Field(default=0.5, ge=0, le=5, description="Deadband of the temperature limits, °C.")
    realarm_hours: float = Field(
        default=12.0, gt=0, le=168, description="An acknowledged alarm not cured comes back after this long."
    )


class Limits(Model):
    """The limits one enclosure is judged by."""

    humidity_target: HumiditySpan = Field(
        default=HumiditySpan(low=60.0, high=70.0), description="Where the humidity should be."
    )
    humidity_tolerable: HumiditySpan = Field(
        default=HumiditySpan(low=55.0, high=80.0), description="Beyond this harm begins."
    )
    temperature_target: TemperatureSpan | None = Field(
        default=None, description="Shown only, never judged.", examples=[{"low": 27, "high": 32}]
    )
    temperature_tolerable: TemperatureSpan = Field(
        default=TemperatureSpan(low=24.0, high=34.0), description="Beyond this harm begins."
    )
    temperature_danger: Temperature = Field(default=38.0, description="Above this it is an emergency, °C.")
    day_temperature: Temperature = Field(
        default=30.0, description="The day temperature near the probe, °C: night minima are also shown referred to it."
    )
    delays: Delays = Field(default=Delays(), description="On-delays, off-delays and deadbands.")


class Profile(Model):
    """Limits for a species and life stage: common practice, editable, never veterinary advice."""

    name: Name = Field(description="The name enclosures refer to.", examples=["my_adults"])
    like: Stage | None = Field(
        default=None,
        description="Built-in profile that gives every limit left out here. "
        "Default: the built-in of the same name, else `adult`.",
        examples=["adult"],
    )
    about: str = Field(default="", max_length=500, description="Where these numbers come from, in a sentence.")
    limits: Limits = Field(
        default=Limits(), description="The limits of this profile; only what differs from `like` need be given."
    )
