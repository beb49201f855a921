"""The configuration as the judge sees it."""

from __future__ import annotations

import hashlib

from dewkeeper.judge.types import EnclosureFacts, ProbeFacts, Settings
from dewkeeper_config import effective_limits, stage_limits
from dewkeeper_config.models import Config


def judge_settings(config: Config, at: int, who: str = "configuration", why: str = "") -> Settings:
    """Return the judge's settings from `at` on."""
    rooms = {rack.name: rack.room for rack in config.rack}
    enclosures = {
        enclosure.name: EnclosureFacts(
            name=enclosure.name,
            rack=enclosure.rack,
            room=rooms[enclosure.rack],
            limits=effective_limits(config, enclosure.name),
            stage=enclosure.profile,
            open_water=enclosure.open_water,
            heater=enclosure.heater,
            levers=tuple(enclosure.levers),
            mesh_near_heat=enclosure.mesh_near_heat,
            egg_box=enclosure.kind == "egg_box",
        )
        for enclosure in config.enclosure
    }
    room_of = {name: facts.room for name, facts in enclosures.items()}
    probes = {
        probe.name: ProbeFacts(
            name=probe.name,
            role=probe.role,
            enclosure=probe.enclosure,
            room=probe.room or room_of.get(probe.enclosure or ""),
            bus=probe.bus or "",
            branch=branch(probe.bus, probe.multiplexer, probe.channel),
            rounded=probe.rounded,
        )
        for probe in config.probe
    }
    return Settings(
        time=at,
        poll_seconds=config.site.poll_seconds,
        enclosures=enclosures,
        probes=probes,
        stage_limits=stage_limits(config),
        who=who,
        why=why,
    )


def branch(bus: str | None, multiplexer: int | None, channel: int | None) -> str:
    """Name what fails together: the bus, or one channel of a multiplexer on it."""
    if bus is None:
        return ""
    return bus if multiplexer is None else f"{bus} multiplexer 0x{multiplexer:02x} channel {channel}"


def digest(config: Config) -> str:
    """Return a short fingerprint of everything the judge sees, to notice a change between two starts."""
    settings = judge_settings(config, 0)
    return hashlib.sha256(repr(settings).encode()).hexdigest()[:16]
