"""What the TOML file may say, a module a topic. Every field's description is also the reference the documentation prints.

`Config` is what everything else works with: every enclosure and probe by itself. `ConfigFile` is what may be written,
where a rack may stand for its tubs and a bus for a row of them; `expansion` makes the one from the other.
"""

from __future__ import annotations

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.models.channel_kinds import Channel
from dewkeeper_config.models.channels import AppriseChannel, ChannelConfig, MailChannel, WebhookChannel
from dewkeeper_config.models.housing import (
    Enclosure,
    EnclosureTraits,
    Rack,
    RackProbes,
    RackTable,
    TubException,
    TubProbe,
)
from dewkeeper_config.models.limits import Delays, HumiditySpan, Limits, Profile, Stage, TemperatureSpan
from dewkeeper_config.models.other_sites import Collector, Neighbour
from dewkeeper_config.models.page import Web
from dewkeeper_config.models.people import Notify, Person, QuietHours
from dewkeeper_config.models.round import Round
from dewkeeper_config.models.sending_on import Collect
from dewkeeper_config.models.site import Backup, ChangeNote, Site, Storage
from dewkeeper_config.models.wiring import BusConfig, BusTable, Multiplexer, ProbeConfig

__all__ = [
    "AppriseChannel",
    "Backup",
    "BusConfig",
    "BusTable",
    "ChangeNote",
    "Channel",
    "ChannelConfig",
    "Collect",
    "Collector",
    "Config",
    "ConfigFile",
    "Delays",
    "Enclosure",
    "EnclosureTraits",
    "Field",
    "HumiditySpan",
    "Limits",
    "MailChannel",
    "Model",
    "Multiplexer",
    "Name",
    "Neighbour",
    "Notify",
    "Person",
    "ProbeConfig",
    "Profile",
    "QuietHours",
    "Rack",
    "RackProbes",
    "RackTable",
    "Round",
    "Site",
    "Stage",
    "Storage",
    "TemperatureSpan",
    "TubException",
    "TubProbe",
    "Web",
    "WebhookChannel",
]


class _SiteTables(Model):
    site: Site = Field(default=Site(), description="The place.")
    storage: Storage = Field(default=Storage(), description="Where readings live.")


class _RackTables(Model):
    bus: list[BusConfig] = Field(default=[], description="I2C buses.")
    profile: list[Profile] = Field(default=[], description="Own profiles; one with a built-in name replaces it.")
    rack: list[Rack] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field(min_length=1, description="Enclosures.")
    probe: list[ProbeConfig] = Field(min_length=1, max_length=1023, description="Probes.")


class _RackTablesAsWritten(Model):
    bus: list[BusTable] = Field(default=[], description="I2C buses.")
    profile: list[Profile] = Field(default=[], description="Own profiles; one with a built-in name replaces it.")
    rack: list[RackTable] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field(default=[], description="Enclosures that no rack's `shelves` stand for.")
    probe: list[ProbeConfig] = Field(
        default=[], max_length=1023, description="Probes that no rack's `probe` stands for."
    )


class _PeopleTables(Model):
    channel: list[Channel] = Field(min_length=1, description="Ways to reach people.")
    person: list[Person] = Field(min_length=1, description="People who are told.")
    notify: Notify = Field(default=Notify(), description="How people are told.")
    round: Round = Field(default=Round(), description="How often what is due.")
    web: Web = Field(default=Web(), description="The page.")
    collect: Collect | None = Field(default=None, description="Sending on to a server that keeps many sites.")
    collector: Collector | None = Field(default=None, description="Looking after all sites of a server.")
    neighbour: Neighbour | None = Field(default=None, description="Another site that notices this one's silence.")
    change: ChangeNote = Field(default=ChangeNote(), description="Who changed this file last, and why.")


class Config(_PeopleTables, _RackTables, _SiteTables):  # a dataclass takes the fields of the last base first
    """The whole configuration, every enclosure and probe by itself."""


class ConfigFile(_PeopleTables, _RackTablesAsWritten, _SiteTables):
    """The whole file."""
