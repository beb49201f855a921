"""Records as plain values, such as JSON has, and back: what was checked once needs no library that checks.

Records are the models of the configuration and any dataclass. A value of another type than its field's is refused, for what
is read may be damaged, but ranges are the business of who wrote it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from datetime import time
from functools import cache, lru_cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from dewkeeper_config.models.base import Model, shared

T = TypeVar("T")
Reader = Callable[[Any], Any]

_PLAIN = frozenset({str, int, bool, NoneType})
"""Types whose values are their own plain form."""


def to_plain(value: Any, *, only_given: bool = False) -> Any:
    """Return a record as dicts, lists, text and numbers. Raises TypeError for what has no such form, a secret among it.

    only_given: of a model the keys that were written; what was left out is its default again when it is read.
    """
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None  # JSON has no other word for it
    if isinstance(value, Model):
        return {
            key: to_plain(part, only_given=only_given) for key, part in value if not only_given or key in value.given
        }
    if is_dataclass(value) and not isinstance(value, type):
        parts = [(name, getattr(value, name)) for name in _names(type(value))]
        return {name: part if type(part) in _PLAIN else to_plain(part, only_given=only_given) for name, part in parts}
    if isinstance(value, Mapping):
        return {str(key): to_plain(part, only_given=only_given) for key, part in value.items()}
    if isinstance(value, (list, tuple, frozenset, set)):
        return [to_plain(part, only_given=only_given) for part in value]
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, time):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no plain form")


def from_plain(kind: type[T], value: Any) -> T:
    """Return the record of a type that was made plain. Raises ValueError when a value is missing or of another type."""
    made: Any = kind  # a type can be hashed, which its own type does not say
    read: T = reader(made)(value)
    return read


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(one.name for one in fields(kind))


def to_text(value: Any) -> str:
    """Return a record as JSON text."""
    return json.dumps(to_plain(value), ensure_ascii=False, separators=(",", ":"))


def from_text(kind: type[T], text: str) -> T:
    """Return the record of a type from its JSON text. Raises ValueError."""
    try:
        return from_plain(kind, json.loads(text))
    except RecursionError as error:
        raise ValueError("nested without end") from error


@cache
def reader(kind: Any) -> Reader:
    """Return what makes values of a type from their plain form, and refuses all for a type that has none, as a secret."""
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        own = next((said.reader for said in inner[1:] if hasattr(said, "reader")), None)
        if own is not None:
            return own(reader)  # type: ignore[no-any-return]
        return _shared(reader(inner[0])) if shared in inner[1:] else reader(inner[0])
    if origin is Literal:
        return _one_of(inner)
    if origin in (Union, UnionType):
        # A whole number stays one where both may stand.
        return _either([reader(option) for option in sorted(inner, key=lambda option: option is float)])
    if origin in _MANY:
        return _each(_MANY[origin], inner)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _by_key(reader(inner[0]), reader(inner[1]))
    if isinstance(kind, type) and issubclass(kind, tuple) and hasattr(kind, "_fields"):
        hints = get_type_hints(kind, include_extras=True)
        parts = _each(tuple, tuple(hints[name] for name in kind._fields))
        return lambda value: kind(*parts(value))
    if isinstance(kind, type) and (issubclass(kind, Model) or is_dataclass(kind)):
        return _record(kind)
    return _refused(kind)


def _refused(kind: Any) -> Reader:
    def read(_value: Any) -> Any:
        raise ValueError(f"{kind} has no plain form")

    return read


def _exactly(*kinds: type) -> Reader:
    def read(value: Any) -> Any:
        # Not isinstance: True is an int, and a damaged file would pass for a good one.
        if type(value) not in kinds:
            raise ValueError(f"not {kinds[0].__name__}")
        return value

    return read


def _float(value: Any) -> float:
    if type(value) not in (float, int):
        raise ValueError("not a number")
    return float(value)


def _time(value: Any) -> time:
    return time.fromisoformat(_TEXT(value))


_TEXT = _exactly(str)
_SIMPLE: Mapping[Any, Reader] = {
    Any: lambda value: value,
    NoneType: _exactly(NoneType),
    None: _exactly(NoneType),
    bool: _exactly(bool),
    int: _exactly(int),
    str: _TEXT,
    float: _float,
    time: _time,
    Path: lambda value: Path(_TEXT(value)),
    object: lambda value: value,
}
_MANY: Mapping[Any, Callable[[Any], Any]] = {list: list, tuple: tuple, frozenset: frozenset, set: set, Sequence: tuple}


def _shared(read: Reader) -> Reader:
    # By its text, for a dict cannot be a key: equal limits are read once, however many enclosures have them.
    @lru_cache(maxsize=256)
    def read_once(text: str) -> Any:
        return shared(read(json.loads(text)))

    return lambda value: read_once(json.dumps(value))


def _one_of(allowed: tuple[Any, ...]) -> Reader:
    def read(value: Any) -> Any:
        # The type as well, for True equals 1.
        if not any(value == one and type(value) is type(one) for one in allowed):
            raise ValueError(f"none of {', '.join(map(repr, allowed))}")
        return value

    return read


def _either(options: Sequence[Reader]) -> Reader:
    def read(value: Any) -> Any:
        for option in options:
            try:
                return option(value)
            except ValueError:
                continue
        raise ValueError("of no kind that may stand here")

    return read


def _each(make: Callable[[Any], Any], inner: tuple[Any, ...]) -> Reader:
    if make is tuple and inner[-1:] != (...,) and len(inner) > 1:
        parts = [reader(one) for one in inner]

        def read_parts(value: Any) -> Any:
            if type(value) is not list or len(value) != len(parts):
                raise ValueError(f"not a list of {len(parts)}")
            return tuple(part(one) for part, one in zip(parts, value, strict=True))

        return read_parts
    item = reader(inner[0])

    def read(value: Any) -> Any:
        if type(value) is not list:
            raise ValueError("not a list")
        return make(map(item, value))

    return read


def _by_key(key_of: Reader, value_of: Reader) -> Reader:
    def read(value: Any) -> Any:
        if type(value) is not dict:
            raise ValueError("not a table")
        return {key_of(key): value_of(one) for key, one in value.items()}

    return read


def _record(kind: Any) -> Reader:
    hints = get_type_hints(kind, include_extras=True)
    parts = [(name, _as_they_are(hints[name]), reader(hints[name])) for name in _names(kind)]
    needed = frozenset(one.name for one in fields(kind) if one.default is MISSING and one.default_factory is MISSING)

    def read(value: Any) -> Any:
        if type(value) is not dict:
            raise ValueError(f"not a {kind.__name__}")
        if not needed <= value.keys():
            raise ValueError(f"a {kind.__name__} without {', '.join(sorted(needed - value.keys()))}")
        given, name = {}, ""
        try:
            for name, plain, part in parts:
                if name in value:  # what a newer version has besides is left out
                    one = value[name]
                    given[name] = one if type(one) in plain else part(one)
        except ValueError as error:
            raise ValueError(f"`{name}`: {error}") from error
        return kind(**given)

    return read


def _as_they_are(kind: Any) -> frozenset[type]:
    """Return the types of which a value is its own plain form where this type stands: nothing need be called for it."""
    if get_origin(kind) in (Union, UnionType):
        return frozenset().union(*map(_as_they_are, get_args(kind)))
    if get_origin(kind) is Annotated:
        return _as_they_are(get_args(kind)[0])
    return frozenset({kind}) if kind in _PLAIN or kind is float else frozenset()
