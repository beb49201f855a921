"""Whatever is done to a good file, it is refused in words or it still means what it says."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator
from datetime import time
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount

from dewkeeper_config import effective_limits
from dewkeeper_config.errors import ConfigError, ConfigInvalid
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_config.reference import sample

NAMES = st.sampled_from(
    ["B3", "B4", "b3", "i2c1", "second", "left", "phone", "mail", "adult", "room", "snake room", ""]
)
SCALARS = (
    st.booleans()
    | st.integers(min_value=-(2**70), max_value=2**70)
    | st.sampled_from([0, 1, 7, 8, 0x44, 0x45, 0x46, 0x70, 0x71, 100])
    | st.floats()
    | NAMES
    | st.text(max_size=20)
    | st.times().filter(lambda t: t.tzinfo is None)
)


def _nested(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.lists(inner, max_size=3) | st.dictionaries(st.text(min_size=1, max_size=8), inner, max_size=3)


VALUES = st.recursive(SCALARS, _nested)
KEYS = st.sampled_from(
    ["name", "bus", "address", "multiplexer", "channel", "room", "role", "limits", "low", "high"]
) | (
    st.sampled_from(
        ["kind", "quiet_hours", "template", "url", "delays", "enclosure", "profile", "sitter", "adapter", "x"]
    )
)


def _places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*path, key)
        yield from _places(inner, (*path, key))


def _mutate(tree: Any, data: st.DataObject) -> None:
    """Replace, remove, move or add one thing somewhere."""
    place = data.draw(st.sampled_from(list(_places(tree)) or [()]))
    if not place:
        return
    parent: Any = tree
    for part in place[:-1]:
        parent = parent[part]
    action = data.draw(st.sampled_from(["replace", "remove", "copy", "add"]))
    if action == "remove":
        del parent[place[-1]]
    elif action == "replace":
        parent[place[-1]] = data.draw(VALUES)
    elif action == "copy" and isinstance(parent, list):
        parent.append(parent[int(place[-1])])
    elif isinstance(parent, dict):
        parent[data.draw(KEYS)] = data.draw(VALUES)


def assert_it_means_what_it_says(config: Config) -> None:
    """Check, by other means than the loader's, what everybody downstream relies on."""
    enclosures, racks = {e.name for e in config.enclosure}, {r.name: r for r in config.rack}
    buses, channels = {b.name: b for b in config.bus}, {c.name for c in config.channel}
    for entries in (config.bus, config.rack, config.enclosure, config.probe, config.channel, config.person):
        assert len({entry.name.casefold() for entry in entries}) == len(entries)
    for enclosure in config.enclosure:
        assert enclosure.rack in racks
        limits = effective_limits(config, enclosure.name)
        inner, outer, warm = limits.humidity_target, limits.humidity_tolerable, limits.temperature_tolerable
        assert 0 <= outer.low <= inner.low < inner.high <= outer.high <= 100
        assert warm.low < warm.high < limits.temperature_danger
        assert all(math.isfinite(v) for _, v in limits.delays)
    taken: list[tuple[str, int | None, int | None, int]] = []
    for probe in config.probe:
        assert (probe.enclosure in enclosures) != (probe.role == "room")
        if probe.role == "room":
            assert probe.room in {rack.room for rack in config.rack}
        if probe.bus is None or probe.address is None:
            continue
        assert probe.multiplexer is None or probe.multiplexer in {m.address for m in buses[probe.bus].multiplexers}
        here = (probe.bus, probe.multiplexer, probe.channel, probe.address)
        for other in taken:
            together = other[1:3] == here[1:3] or None in (other[1], here[1])
            assert other[0] != here[0] or other[3] != here[3] or not together
        taken.append(here)
    assert all(name in channels for person in config.person for name in person.channels)
    assert any(person.escalation == 0 and not person.sitter for person in config.person)
    assert config.site.night_start != config.site.night_end
    assert isinstance(config.site.night_start, time)


@settings(max_examples=amount(60, 3000))
@given(data=st.data())
def test_a_mutated_rack_is_refused_or_still_sound(
    fresh_rack: Callable[[], Any], as_toml: Callable[[Any], str], data: st.DataObject
) -> None:
    """Values, keys and entries changed at random never get past the loader unsound, nor past it as another error."""
    rack = fresh_rack()
    for _ in range(data.draw(st.integers(1, 4))):
        _mutate(rack, data)
    try:
        config = parse(as_toml(rack).encode("utf-8", "surrogatepass"), Path("rack.toml"))
    except ConfigInvalid as error:
        refused = error
    else:
        assert_it_means_what_it_says(config)
        return
    assert "T0PSECRET" not in str(refused)
    assert refused.problems
    assert all(problem.key and problem.given and problem.allowed for problem in refused.problems)


@settings(max_examples=amount(40, 2000))
@given(data=st.data())
def test_a_damaged_file_raises_nothing_but_config_errors(data: st.DataObject) -> None:
    """Bytes cut, overwritten or doubled anywhere in a file end in a refusal or in a sound configuration."""
    text = bytearray(sample().encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(text) - 1))
        length = data.draw(st.integers(0, 40))
        text[at : at + length] = data.draw(
            st.binary(max_size=8) | st.sampled_from([b"[", b'"', b"\n", b"#", b"=", b"\x00"])
        )
        text = text or bytearray(b"#")
    try:
        config = parse(bytes(text), Path("rack.toml"))
    except ConfigError:
        return
    assert_it_means_what_it_says(config)


SHORT = """
[[bus]]
name = "i2c1"
multiplexers = [{ address = 0x70 }]

[[bus]]
name = "row"
kind = "wire"
numbers = "30-33, 40"

[[rack]]
name = "left"
room = "snake room"
shelves = [3, 2]
tubs = "{letter}{place}"
each = { levers = ["misting"], limits = { humidity_target = { low = 60, high = 70 } } }
probe = { bus = "i2c1", multiplexers = [0x70], channels = [0, 1, 2], name = "{tub} floor" }
exceptions = { "A1, A2" = { profile = "hatchling" }, "shelf 2" = { probe = { serial = 7 } }, A3 = { empty = true } }

[[channel]]
kind = "webhook"
name = "phone"
url = "https://push.example.org/hook/T0PSECRET"

[[person]]
name = "Marit"
channels = ["phone"]
"""
SHORT_KEYS = st.sampled_from(
    ["shelves", "tubs", "each", "probe", "exceptions", "numbers", "number", "channels", "empty"]
)


@settings(max_examples=200)
@given(data=st.data())
def test_a_mutated_short_form_is_refused_or_still_sound(as_toml: Callable[[Any], str], data: st.DataObject) -> None:
    """What a rack says of its tubs, changed at random, is refused in words, with lines, or still means what it says."""
    rack = tomllib.loads(SHORT)
    for _ in range(data.draw(st.integers(1, 3))):
        _mutate(rack, data)
        lists = [rack.get(table) for table in ("rack", "bus")]
        place: Any = data.draw(
            st.sampled_from([rack, *(one for table in lists if isinstance(table, list) for one in table)])
        )
        if isinstance(place, dict) and data.draw(st.booleans()):
            place[data.draw(SHORT_KEYS)] = data.draw(
                VALUES | st.sampled_from(["30-", "9-1", "{place", "{a.b}", [99] * 99])
            )
    try:
        config = parse(as_toml(rack).encode("utf-8", "surrogatepass"), Path("rack.toml"))
    except ConfigInvalid as error:
        refused = error
    else:
        assert_it_means_what_it_says(config)
        return
    assert "T0PSECRET" not in str(refused)
    assert all(problem.key and problem.given and problem.allowed for problem in refused.problems)
