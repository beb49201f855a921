"""The configuration as the judge sees it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from dewkeeper.judge.types import EnclosureFacts, ProbeFacts, Settings
from dewkeeper.sampling.bus_reports import adapter_name, part_name
from dewkeeper_config import effective_limits, stage_limits
from dewkeeper_config.models import Config
from dewkeeper_config.models.base import Model, shared
from dewkeeper_config.models.secrets import SecretText


def judge_settings(config: Config, at: int, who: str = "configuration", why: str = "") -> Settings:
    """Return the judge's settings from `at` on."""
    rooms = {rack.name: rack.room for rack in config.rack}
    enclosures = {
        enclosure.name: EnclosureFacts(
            name=enclosure.name,
            rack=enclosure.rack,
            room=rooms[enclosure.rack],
            limits=shared(effective_limits(config, enclosure.name)),
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
    adapter_of = {bus.name: adapter_name(bus) for bus in config.bus}
    probes = {
        probe.name: ProbeFacts(
            name=probe.name,
            role=probe.role,
            enclosure=probe.enclosure,
            room=probe.room or room_of.get(probe.enclosure or ""),
            bus=probe.bus or "",
            branch=part_name(probe.bus, probe.multiplexer, probe.channel),
            adapter=adapter_of.get(probe.bus or "", ""),
            multiplexer=part_name(probe.bus, probe.multiplexer, None),
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
        others=others(config),
    )


def reason(config: Config, last: str) -> tuple[str, str]:
    """Return who changed the configuration, and why, as the file says; `last` is what it said at the last change."""
    change = config.change
    if not (change.who or change.why) or last == f"{change.who}: {change.why}":
        return "configuration", ""  # nobody said anything new
    return change.who or "configuration", change.why


def others(config: Config) -> dict[str, str]:
    """Return every value of the configuration that the judge does not use, by its key; of secrets two digits of a fingerprint."""
    judged = {"rack", "enclosure", "probe", "profile", "change"}
    found = {key: text for table, value in config if table not in judged for key, text in _leaves(table, value)}
    found.pop("site.poll_seconds", None)  # which the judge does use: `Settings.poll_seconds`
    return found


def _leaves(key: str, value: Any) -> Iterator[tuple[str, str]]:
    """Yield the values below a key but None; members of a list go by their names where they have them."""
    if isinstance(value, (Model, dict)):
        for name, inner in value if isinstance(value, Model) else value.items():
            yield from _leaves(f"{key}.{name}", inner)
    elif isinstance(value, list) and value and isinstance(value[0], (Model, dict)):
        for number, inner in enumerate(value, start=1):
            yield from _leaves(f"{key} {dict(inner).get('name', number)}", inner)
    elif isinstance(value, SecretText):
        yield key, f"kept private ({hashlib.sha256(value.plain().encode()).hexdigest()[:2]})"
    elif value is not None:
        yield key, ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def digest(config: Config) -> str:
    """Return a short fingerprint of everything the judge sees, to notice a change between two starts."""
    settings = judge_settings(config, 0)
    return hashlib.sha256(repr(settings).encode()).hexdigest()[:16]
