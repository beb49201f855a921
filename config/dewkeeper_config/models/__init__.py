"""What the TOML file may say, a module a topic. Every field's description is also the reference the documentation prints."""

from __future__ import annotations

from pydantic import Field

from dewkeeper_config.models.base import Model, Name
from dewkeeper_config.models.channels import AppriseChannel, Channel, MailChannel, WebhookChannel
from dewkeeper_config.models.housing import Enclosure, Rack
from dewkeeper_config.models.limits import Delays, HumiditySpan, Limits, Profile, Stage, TemperatureSpan
from dewkeeper_config.models.page import Web
from dewkeeper_config.models.people import Notify, Person, QuietHours
from dewkeeper_config.models.round import Round
from dewkeeper_config.models.site import Backup, Change, Site, Storage
from dewkeeper_config.models.wiring import Bus, Multiplexer, ProbeConfig

__all__ = [
    "AppriseChannel",
    "Backup",
    "Bus",
    "Change",
    "Channel",
    "Config",
    "Delays",
    "Enclosure",
    "HumiditySpan",
    "Limits",
    "MailChannel",
    "Model",
    "Multiplexer",
    "Name",
    "Notify",
    "Person",
    "ProbeConfig",
    "Profile",
    "QuietHours",
    "Rack",
    "Round",
    "Site",
    "Stage",
    "Storage",
    "TemperatureSpan",
    "Web",
    "WebhookChannel",
]


class Config(Model):
    """The whole file."""

    site: Site = Field(Site(), description="The place.")
    storage: Storage = Field(Storage(), description="Where readings live.")
    bus: list[Bus] = Field([], description="I2C buses.")
    profile: list[Profile] = Field([], description="Own profiles; one with a built-in name replaces it.")
    rack: list[Rack] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field(min_length=1, description="Enclosures.")
    probe: list[ProbeConfig] = Field(min_length=1, max_length=1023, description="Probes.")
    channel: list[Channel] = Field(min_length=1, description="Ways to reach people.")
    person: list[Person] = Field(min_length=1, description="People who are told.")
    notify: Notify = Field(Notify(), description="How people are told.")
    round: Round = Field(Round(), description="How often what is due.")
    web: Web = Field(Web(), description="The page.")
    change: Change = Field(Change(), description="Who changed this file last, and why.")
