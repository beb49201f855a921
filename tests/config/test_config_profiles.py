"""Profiles, and what an enclosure is judged by."""

from __future__ import annotations

from typing import Any, get_args

import pytest

from dewkeeper_config import BUILT_IN, effective_limits, stage_limits
from dewkeeper_config.models import Limits, Stage
from dewkeeper_config.written import plain


def test_every_stage_has_a_profile() -> None:
    """The stages of the journal and the built-in profiles are the same set."""
    assert set(BUILT_IN) == set(get_args(Stage))


def test_the_adult_profile_is_the_models_default() -> None:
    """Limits left out anywhere are the adult's: target 60-70, tolerable 55-80 %RH, 24-34 °C, danger 38 °C."""
    assert BUILT_IN["adult"].limits.but(temperature_target=None) == Limits()


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_profile_is_honest_and_sound(rack: Any, loaded: Any, name: str) -> None:
    """Each says that it is common practice, editable and no veterinary advice, and passes the checks as an own one."""
    profile = BUILT_IN[name]
    assert "Common practice, editable, not veterinary advice." in profile.about
    rack["profile"] = [{"name": "own", "limits": plain(profile.limits)}]
    rack["enclosure"][0]["profile"] = "own"
    assert effective_limits(loaded(rack), "B3") == profile.limits


def test_hatchlings_and_eggs_differ_where_harm_comes_sooner() -> None:
    """A hatchling's dry side is tighter and told sooner; an egg box is judged by heat first and never as damp."""
    adult, young, eggs = (BUILT_IN[name].limits for name in ("adult", "hatchling", "egg_box"))
    assert young.humidity_tolerable.low > adult.humidity_tolerable.low
    assert young.delays.dry_tolerable_minutes < adult.delays.dry_tolerable_minutes
    assert eggs.temperature_danger < adult.temperature_danger
    assert eggs.temperature_tolerable.high < adult.temperature_tolerable.high
    assert eggs.humidity_tolerable.high == 100


def test_own_limits_lie_over_the_profile(rack: Any, loaded: Any) -> None:
    """What an enclosure leaves out is its profile's, delay by delay; what it says is its own."""
    rack["enclosure"][1]["limits"] = {"temperature_danger": 37, "delays": {"cold_minutes": 20}}
    limits = effective_limits(loaded(rack), "B4")
    young = BUILT_IN["hatchling"].limits
    assert limits.temperature_danger == 37
    assert limits.delays.cold_minutes == 20
    assert limits.humidity_target == young.humidity_target
    assert limits.delays.dry_tolerable_minutes == young.delays.dry_tolerable_minutes


def test_an_own_profile_starts_from_what_it_is_like(rack: Any, loaded: Any) -> None:
    """`like` names the base; a profile with a built-in name starts from that one and replaces it."""
    rack["profile"] = [
        {"name": "my eggs", "like": "egg_box", "limits": {"temperature_danger": 35}},
        {"name": "hatchling", "limits": {"temperature_danger": 36}},
        {"name": "plain"},
    ]
    limits = stage_limits(loaded(rack))
    assert limits["my eggs"].humidity_tolerable == BUILT_IN["egg_box"].limits.humidity_tolerable
    assert limits["hatchling"].temperature_danger == 36
    assert limits["hatchling"].humidity_target == BUILT_IN["hatchling"].limits.humidity_target
    assert limits["plain"] == BUILT_IN["adult"].limits


def test_an_unknown_enclosure_is_a_key_error(rack: Any, loaded: Any) -> None:
    """Asking for the limits of what is not there raises KeyError."""
    with pytest.raises(KeyError):
        effective_limits(loaded(rack), "Z9")
