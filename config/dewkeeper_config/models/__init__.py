"""What the TOML file may say, a module a topic. Every field's description is also the reference the documentation prints.

`Config` is what everything else works with: every enclosure and probe by itself. `ConfigFile` is what may be written,
where a rack may stand for its tubs and a bus for a row of them; `layout` makes the one from the other.
"""

from __future__ import annotations

from pydantic import Field

from dewkeeper_config.models.base import Model, Name
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
from dewkeeper_config.models.others import Collector, Neighbour
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


# Parts, and what only some commands ask for, are built when first used: pydantic takes a tenth of a start for each.
class _SiteTables(Model, defer_build=True):
    site: Site = Field(Site(), description="The place.")
    storage: Storage = Field(Storage(), description="Where readings live.")


class _RackTables(Model, defer_build=True):
    bus: list[BusConfig] = Field([], description="I2C buses.")
    profile: list[Profile] = Field([], description="Own profiles; one with a built-in name replaces it.")
    rack: list[Rack] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field(min_length=1, description="Enclosures.")
    probe: list[ProbeConfig] = Field(min_length=1, max_length=1023, description="Probes.")


class _RackTablesAsWritten(Model, defer_build=True):
    bus: list[BusTable] = Field([], description="I2C buses.")
    profile: list[Profile] = Field([], description="Own profiles; one with a built-in name replaces it.")
    rack: list[RackTable] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field([], description="Enclosures that no rack's `shelves` stand for.")
    probe: list[ProbeConfig] = Field([], max_length=1023, description="Probes that no rack's `probe` stands for.")


class _PeopleTables(Model, defer_build=True):
    channel: list[Channel] = Field(min_length=1, description="Ways to reach people.")
    person: list[Person] = Field(min_length=1, description="People who are told.")
    notify: Notify = Field(Notify(), description="How people are told.")
    round: Round = Field(Round(), description="How often what is due.")
    web: Web = Field(Web(), description="The page.")
    collect: Collect | None = Field(None, description="Sending on to a server that keeps many sites.")
    collector: Collector | None = Field(None, description="Looking after all sites of a server.")
    neighbour: Neighbour | None = Field(None, description="Another site that notices this one's silence.")
    change: ChangeNote = Field(ChangeNote(), description="Who changed this file last, and why.")


class Config(
    _PeopleTables, _RackTables, _SiteTables, defer_build=False
):  # pydantic takes the fields of the last base first
    """The whole configuration, every enclosure and probe by itself."""


class ConfigFile(_PeopleTables, _RackTablesAsWritten, _SiteTables):
    """The whole file."""
