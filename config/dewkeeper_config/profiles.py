"""Husbandry profiles, and the limits that follow from profile and enclosure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from dewkeeper_config.models import Config, Enclosure, Limits, Profile
from dewkeeper_config.plain import from_plain


@cache
def _built_in() -> Mapping[str, Profile]:
    text = Path(__file__).with_name("profiles.toml").read_text(encoding="utf-8")
    found = [from_plain(Profile, entry) for entry in tomllib.loads(text)["profile"]]
    # The first in the file is `adult`, with whole limits; the others say only what differs from it.
    adult = found[0].limits
    return {p.name: p.but(limits=overlay(adult, p.limits)) for p in found}


def overlay(base: Limits, own: Limits) -> Limits:
    """Return `base` with what was written in `own`; delays are laid over one by one, bands whole."""
    update = {name: getattr(own, name) for name in own.given}
    if "delays" in update:
        written = {name: getattr(own.delays, name) for name in own.delays.given}
        update["delays"] = base.delays.but(**written)
    return base.but(**update)


def limits_of_profile(profile: Profile) -> Limits:
    """Return the whole limits of an own profile: what it leaves out is that of the built-in profile it is like."""
    # An own profile with a built-in name replaces that one, and begins from it.
    like = profile.like or (profile.name if profile.name in BUILT_IN else "adult")
    return overlay(BUILT_IN[like].limits, profile.limits)


def limits_of_enclosure(enclosure: Enclosure, profiles: Mapping[str, Limits]) -> Limits:
    """Return the limits of an enclosure, given those of every profile. Raises KeyError for an unknown profile."""
    base = profiles[enclosure.profile]
    return base if enclosure.limits is None else overlay(base, enclosure.limits)


def stage_limits(config: Config) -> dict[str, Limits]:
    """Return profile name -> whole limits, of the built-in profiles and the keeper's own."""
    return {name: profile.limits for name, profile in BUILT_IN.items()} | {
        profile.name: limits_of_profile(profile) for profile in config.profile
    }


def effective_limits(config: Config, enclosure_name: str) -> Limits:
    """Return what an enclosure is judged by: its profile's limits with its own laid over. Raises KeyError."""
    enclosure = {e.name: e for e in config.enclosure}[enclosure_name]
    return limits_of_enclosure(enclosure, stage_limits(config))


BUILT_IN: Mapping[str, Profile] = _built_in()
"""Built-in profiles by name, with whole limits."""
