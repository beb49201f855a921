"""Whether the limits an enclosure ends up with make sense together.

Checked on the whole limits, after profile and enclosure are laid over each other: each alone may be right and
both together wrong.
"""

from __future__ import annotations

from collections.abc import Iterator

from dewkeeper_config.entries import FileEntries, FileEntry
from dewkeeper_config.errors import Problem
from dewkeeper_config.models import Enclosure, HumiditySpan, Limits, Profile, TemperatureSpan
from dewkeeper_config.profiles import BUILT_IN, limits_of_enclosure, limits_of_profile

Band = HumiditySpan | TemperatureSpan


def limit_problems(entries: FileEntries) -> Iterator[Problem]:
    """Yield what is wrong with the limits of own profiles and of enclosures that have their own."""
    profiles = {name: profile.limits for name, profile in BUILT_IN.items()}
    for own in entries.profile:
        profiles[own.model.name] = limits_of_profile(own.model)
        yield from _check(own, profiles[own.model.name])
    # Names of all entries, refused ones too; `profiles` has the limits of those that could be read.
    racks = entries.known("rack")
    usable = {*BUILT_IN, *entries.known("profile")}
    for entry in entries.enclosure:
        if entry.model.rack not in racks:
            yield entry.problem(
                "rack", entry.model.rack, "the name of a [[rack]]: " + (", ".join(racks) or "there is none")
            )
        if entry.model.profile not in usable:
            yield entry.problem("profile", entry.model.profile, "a profile: " + ", ".join(sorted(usable)))
        elif entry.model.limits is not None and entry.model.profile in profiles:
            yield from _check(entry, limits_of_enclosure(entry.model, profiles))


def _check(entry: FileEntry[Profile] | FileEntry[Enclosure], limits: Limits) -> Iterator[Problem]:
    spans: list[tuple[str, Band | None]] = [
        ("humidity_target", limits.humidity_target),
        ("humidity_tolerable", limits.humidity_tolerable),
        ("temperature_target", limits.temperature_target),
        ("temperature_tolerable", limits.temperature_tolerable),
    ]
    upside_down = False
    for name, span in spans:
        if span is not None and span.low >= span.high:
            upside_down = True
            yield entry.problem(f"limits.{name}", _text(span), "low below high")
    if upside_down:
        return  # what follows would only repeat it
    yield from _inside(entry, "humidity", limits.humidity_target, limits.humidity_tolerable)
    if limits.temperature_target is not None:
        yield from _inside(entry, "temperature", limits.temperature_target, limits.temperature_tolerable)
    warm = limits.temperature_tolerable
    if limits.temperature_danger <= warm.high:
        allowed = f"above the tolerable temperature, {warm.high:g}"
        yield entry.problem("limits.temperature_danger", limits.temperature_danger, allowed)
    if not warm.low <= limits.day_temperature <= warm.high:
        yield entry.problem("limits.day_temperature", limits.day_temperature, f"inside tolerable, {_text(warm)}")
    # An alarm clears one deadband inside its limit: with a wider deadband than band there is no such place.
    for name, span in spans[:2]:
        if span is not None and limits.delays.humidity_deadband >= span.high - span.low:
            allowed = f"less than the width of {name}, {_text(span)}"
            yield entry.problem("limits.delays.humidity_deadband", limits.delays.humidity_deadband, allowed)
            break  # once: it is one number
    if limits.delays.temperature_deadband >= warm.high - warm.low:
        allowed = f"less than the width of temperature_tolerable, {_text(warm)}"
        yield entry.problem("limits.delays.temperature_deadband", limits.delays.temperature_deadband, allowed)


def _inside(
    entry: FileEntry[Profile] | FileEntry[Enclosure], what: str, target: Band, tolerable: Band
) -> Iterator[Problem]:
    if target.low < tolerable.low or target.high > tolerable.high:
        allowed = f"inside {what}_tolerable, {_text(tolerable)}"
        yield entry.worded(f"limits.{what}_target", _text(target), allowed)


def _text(span: Band) -> str:
    return f"{span.low:g} to {span.high:g}"
