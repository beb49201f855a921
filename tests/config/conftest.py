"""A small valid rack, as text and as a parsed tree, and a writer that turns a tree back into TOML."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from datetime import time
from pathlib import Path
from typing import Any

import pytest

from dewkeeper_config.errors import ConfigInvalid, Problem
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config

RACK = """
[site]
timezone = "Europe/Vienna"

[[bus]]
name = "i2c1"
multiplexers = [{ address = 0x70 }]

[[bus]]
name = "second"
number = 3

[[rack]]
name = "left"
room = "snake room"

[[enclosure]]
name = "B3"
rack = "left"

[[enclosure]]
name = "B4"
rack = "left"
place = 2
profile = "hatchling"

[[probe]]
name = "b3"
enclosure = "B3"
bus = "i2c1"
address = 0x44

[[probe]]
name = "b4"
enclosure = "B4"
bus = "i2c1"
multiplexer = 0x70
channel = 0
address = 0x45

[[probe]]
name = "room"
role = "room"
room = "snake room"
bus = "second"
address = 0x44

[[channel]]
kind = "webhook"
name = "phone"
url = "https://push.example.org/hook/T0PSECRET"

[[channel]]
kind = "mail"
name = "mail"
host = "mail.example.org"
username = "marit"
password = "T0PSECRET"
sender = "rack@example.org"
to = ["marit@example.org"]

[[person]]
name = "Marit"
channels = ["phone", "mail"]
"""

Tree = dict[str, Any]


def tree() -> Tree:
    """Return the small rack as a fresh tree."""
    return copy.deepcopy(tomllib.loads(RACK))


def to_toml(value: Any) -> str:
    """Write a tree as TOML: top-level tables inline, which TOML allows and the loader must not care about."""
    return "".join(f"{_key(key)} = {_value(inner)}\n" for key, inner in value.items())


def _key(key: str) -> str:
    return _value(str(key))


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in value)
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, time):
        return value.isoformat()
    return repr(value)


def load_tree(given: Tree) -> Config:
    """Return the configuration in a tree. Raises ConfigInvalid."""
    return parse(to_toml(given).encode(), Path("rack.toml"))


def refuse_tree(given: Tree) -> dict[str, Problem]:
    """Load a tree that must be refused, and return the problems by key."""
    with pytest.raises(ConfigInvalid) as caught:
        load_tree(given)
    assert "T0PSECRET" not in f"{caught.value!s}{caught.value!r}{caught.value.__cause__!r}"
    return {problem.key: problem for problem in caught.value.problems}


@pytest.fixture
def rack() -> Tree:
    """Return the small rack, to be changed by the test."""
    return tree()


@pytest.fixture(scope="session")
def rack_text() -> str:
    """Return the small rack as its owner wrote it."""
    return RACK


@pytest.fixture(scope="session")
def fresh_rack() -> Callable[[], Tree]:
    """Return a function that makes the small rack anew, for tests that run many examples."""
    return tree


@pytest.fixture(scope="session")
def loaded() -> Callable[[Tree], Config]:
    """Return a function that loads a tree."""
    return load_tree


@pytest.fixture(scope="session")
def refused() -> Callable[[Tree], dict[str, Problem]]:
    """Return a function that loads a tree which must be refused, and gives the problems by key."""
    return refuse_tree


@pytest.fixture(scope="session")
def as_toml() -> Callable[[Tree], str]:
    """Return a function that writes a tree as TOML."""
    return to_toml
