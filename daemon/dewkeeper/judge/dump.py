"""The judge's whole memory as bytes and back, exactly.

JSON: floats survive by their shortest repr, nothing in a dump can run code. A dump with other fields than this version's
is refused as a whole: the stored stream is judged anew then. Objects are written with their registered class name and their slots or dataclass fields.
"""

from __future__ import annotations

import json
from array import array
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, TypeVar, cast, dataclass_transform

from dewkeeper_config.models.base import Model, shared
from dewkeeper_config.plain import from_plain, to_plain

C = TypeVar("C", bound=type)
_CLASSES: dict[str, type] = {}


class DumpUnreadable(ValueError):
    """The bytes are not a dump this version understands."""


@dataclass_transform(eq_default=False, field_specifiers=(field,))
def remembered(cls: C) -> C:
    """Class decorator: instances may be part of a dump. A class that is no record yet becomes one, of the fields it names."""
    record = is_dataclass(cls) or "__slots__" in cls.__dict__
    made: C = cls if record else cast("C", dataclass(slots=True, eq=False)(cls))
    _CLASSES[cls.__name__] = made
    return made


def _pack(value: Any) -> Any:
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, list):
        return [_pack(v) for v in value]
    if isinstance(value, tuple):
        return {"(": [_pack(v) for v in value]}
    if isinstance(value, array):
        return {"#": value.tolist()}
    if isinstance(value, (set, frozenset)):
        # In order: the same memory gives the same bytes, in whatever order a set happens to be.
        return {"{": [_pack(v) for v in sorted(value)]}
    if isinstance(value, dict):
        return {":": [[_pack(k), _pack(v)] for k, v in value.items()]}
    name = type(value).__name__
    if _CLASSES.get(name) is not type(value):
        raise TypeError(f"{name} is not remembered")
    if isinstance(value, Model):
        return {"@": name, "=": to_plain(value)}
    return {"@": name, "=": {slot: _pack(getattr(value, slot)) for slot in _slots(type(value))}}


def _slots(cls: type) -> tuple[str, ...]:
    if is_dataclass(cls):
        return tuple(field.name for field in fields(cls))
    return tuple(slot for base in reversed(cls.__mro__) for slot in base.__dict__.get("__slots__", ()))


def _made(value: dict[str, Any]) -> Any:
    """Return what an object of JSON stands for, its parts being made already; what has no mark is the content of another."""
    if "(" in value:
        return tuple(value["("])
    if "#" in value:
        return array("d", value["#"])
    if "{" in value:
        return set(value["{"])
    if ":" in value:
        return dict(value[":"])
    if "@" not in value:
        return value
    cls = _CLASSES[value["@"]]
    content = value["="]
    if issubclass(cls, Model):
        return shared(from_plain(cls, content))
    if content.keys() != set(_slots(cls)):
        raise ValueError(f"{cls.__name__} is remembered with other fields")
    made = cls.__new__(cls)
    for slot, part in content.items():
        # Past the lock of those that are frozen.
        object.__setattr__(made, slot, part)
    return made


def _text(value: Any, depth: int = 2) -> str:
    """Return JSON, of what is nested so deep piece by piece: of 128 probes the whole takes 6 MB as values of JSON."""
    if depth and isinstance(value, dict):
        pairs = (f"[{_text(key, 0)},{_text(part, depth - 1)}]" for key, part in value.items())
        return f'{{":":[{",".join(pairs)}]}}'
    name = type(value).__name__
    if depth and _CLASSES.get(name) is type(value) and not isinstance(value, Model):
        parts = (f'"{slot}":{_text(getattr(value, slot), depth - 1)}' for slot in _slots(type(value)))
        return f'{{"@":"{name}","=":{{{",".join(parts)}}}}}'
    return json.dumps(_pack(value), separators=(",", ":"))


def pack(value: Any) -> bytes:
    """Return bytes from which `unpack` makes an equal object. Raises TypeError for a class not remembered."""
    return _text(value).encode()


def unpack(data: bytes) -> Any:
    """Return what was packed. Raises DumpUnreadable."""
    try:
        return json.loads(data, object_hook=_made)  # each part is made as it is read: never all of it twice in memory
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DumpUnreadable(f"not a dump of this judge: {error}") from error
