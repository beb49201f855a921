"""What differs between two settings: every limit and every other value, as it is logged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from dewkeeper.judge.types import EnclosureFacts, Figures, ProbeFacts, Settings
from dewkeeper_config.models import Limits
from dewkeeper_config.plain import to_plain

Changed = Figures
"""Name of a value -> "old -> new"."""


def changes(old: Settings, new: Settings) -> Iterator[tuple[str | None, Changed]]:
    """Yield (enclosure, what changed) for every enclosure in both, and (None, what else changed); nothing that did not."""
    for name, facts in new.enclosures.items():
        before = old.enclosures.get(name)
        if before is not None and before != facts:
            yield name, _difference(_enclosure(before), _enclosure(facts))
    general = _difference(_general(old), _general(new))
    if old.others:  # a database from before they were kept knows none of them
        general |= _difference(old.others, new.others)
    for what, a, b in (("enclosures", old.enclosures, new.enclosures), ("probes", old.probes, new.probes)):
        gone, come = sorted(a.keys() - b.keys()), sorted(b.keys() - a.keys())
        general |= {f"{what} {word}": ", ".join(names) for word, names in (("gone", gone), ("new", come)) if names}
    for name in sorted(old.probes.keys() & new.probes.keys()):
        general |= _difference(_probe(old.probes[name]), _probe(new.probes[name]))
    if general:
        yield None, general


def limits_difference(old: Limits, new: Limits) -> Changed:
    """Return what differs between two sets of limits."""
    return _difference(_flat("", to_plain(old)), _flat("", to_plain(new)))


def _difference(old: Mapping[str, str], new: Mapping[str, str]) -> Changed:
    return {
        name: f"{old.get(name, 'nothing')} -> {new.get(name, 'nothing')}"
        for name in sorted(old.keys() | new.keys())
        if old.get(name) != new.get(name)
    }


def _general(settings: Settings) -> dict[str, str]:
    found = {"poll_seconds": str(settings.poll_seconds)}
    for profile, limits in settings.stage_limits.items():
        found |= _flat(f"profile {profile}: ", to_plain(limits))
    return found


def _enclosure(facts: EnclosureFacts) -> dict[str, str]:
    plain = {
        field.name: str(getattr(facts, field.name)) for field in fields(facts) if field.name not in ("limits", "levers")
    }
    return plain | {"levers": ", ".join(facts.levers)} | _flat("", to_plain(facts.limits))


def _probe(facts: ProbeFacts) -> dict[str, str]:
    return {
        f"probe {facts.name}: {field.name}": str(getattr(facts, field.name))
        for field in fields(facts)
        if field.name != "name"
    }


def _flat(before: str, values: Mapping[str, Any]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in values.items():
        if isinstance(value, dict):
            found |= _flat(f"{before}{name}.", value)
        else:
            found[f"{before}{name}"] = str(value)
    return found
