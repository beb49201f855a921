"""A driver's own options, held to the model that its module calls `Options`, where it has one: `Options = HwmonOptions`."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from types import UnionType
from typing import Any, Literal, NamedTuple, TypeVar, Union, get_args, get_origin, get_type_hints

from dewkeeper_config.models import ProbeConfig
from dewkeeper_config.models.base import Model
from dewkeeper_config.plain import reader
from dewkeeper_drivers.errors import DriverUnusable
from dewkeeper_drivers.registry import find_driver

O = TypeVar("O", bound=Model)  # noqa: E741  the model of somebody's options

_WORDS: Mapping[Any, str] = {float: "a number", int: "a whole number", bool: "true or false", str: "text"}


class NoOptions(Model):
    """Those of a driver that has none: its module says `Options = NoOptions`."""


class WrongOption(NamedTuple):
    """An option that its driver cannot use: which, what was given, what is allowed."""

    key: str
    given: str
    allowed: str


def wrong_options(config: ProbeConfig) -> list[WrongOption]:
    """Return what is wrong with a probe's options, as far as its driver says which it has. Raises DriverUnusable."""
    module = sys.modules.get(getattr(find_driver(config.driver), "__module__", ""))
    found = getattr(module, "Options", None)
    return _wrong(found, config) if isinstance(found, type) and issubclass(found, Model) else []


def options_as(model: type[O], config: ProbeConfig) -> O:
    """Return a probe's options. Raises DriverUnusable with everything that is wrong with them."""
    if wrong := _wrong(model, config):
        said = "; ".join(f"option {one.key} is {one.given}, not {one.allowed}" for one in wrong)
        raise DriverUnusable(f"probe {config.name}: {said}")
    return model(**config.options)


def _wrong(model: type[Model], config: ProbeConfig) -> list[WrongOption]:
    kinds, known = get_type_hints(model, include_extras=True), ", ".join(model.field_names) or "none"
    found = []
    for key, value in config.options.items():
        if key not in model.field_names:
            found.append(WrongOption(key, "an unknown key", f"one of the known keys: {known}"))
            continue
        try:
            reader(kinds[key])(value)
        except ValueError:
            given = f'"{value}"' if isinstance(value, str) else str(value).lower()
            found.append(WrongOption(key, given, _allowed(kinds[key])))
    return found


def _allowed(kind: Any) -> str:
    parts = get_args(kind)
    if get_origin(kind) is Literal:
        return "one of " + ", ".join(f'"{one}"' for one in parts if one != "")
    if get_origin(kind) in (Union, UnionType):
        return " or ".join(_allowed(one) for one in parts if one is not type(None))
    return _WORDS.get(kind, str(kind))
