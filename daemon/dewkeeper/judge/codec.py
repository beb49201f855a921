"""The judge's whole memory as bytes and back, exactly.

JSON: floats survive by their shortest repr, nothing in a dump can run code. A dump with other fields than this version's
is refused as a whole: the stored stream is judged anew then. Objects are written with their registered class name and their slots or dataclass fields.
"""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

from pydantic import BaseModel

C = TypeVar("C", bound=type)
_CLASSES: dict[str, type] = {}


class DumpUnreadable(ValueError):
    """The bytes are not a dump this version understands."""


def remembered(cls: C) -> C:
    """Class decorator: instances may be part of a dump."""
    _CLASSES[cls.__name__] = cls
    return cls


def _pack(value: Any) -> Any:
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, list):
        return [_pack(v) for v in value]
    if isinstance(value, tuple):
        return {"(": [_pack(v) for v in value]}
    if isinstance(value, (set, frozenset)):
        return {"{": [_pack(v) for v in sorted(value)]}
    if isinstance(value, dict):
        return {":": [[_pack(k), _pack(v)] for k, v in value.items()]}
    name = type(value).__name__
    if _CLASSES.get(name) is not type(value):
        raise TypeError(f"{name} is not remembered")
    if isinstance(value, BaseModel):
        return {"@": name, "=": value.model_dump(mode="json")}
    return {"@": name, "=": {slot: _pack(getattr(value, slot)) for slot in _slots(type(value))}}


def _slots(cls: type) -> tuple[str, ...]:
    if is_dataclass(cls):
        return tuple(field.name for field in fields(cls))
    return tuple(slot for base in reversed(cls.__mro__) for slot in base.__dict__.get("__slots__", ()))


def _unpack(value: Any) -> Any:
    if isinstance(value, list):
        return [_unpack(v) for v in value]
    if not isinstance(value, dict):
        return value
    if "(" in value:
        return tuple(_unpack(v) for v in value["("])
    if "{" in value:
        return {_unpack(v) for v in value["{"]}
    if ":" in value:
        return {_unpack(k): _unpack(v) for k, v in value[":"]}
    cls = _CLASSES[value["@"]]
    content = value["="]
    if issubclass(cls, BaseModel):
        return cls.model_validate(content)
    if content.keys() != set(_slots(cls)):
        raise ValueError(f"{cls.__name__} is remembered with other fields")
    made = cls.__new__(cls)
    for slot, packed in content.items():
        object.__setattr__(made, slot, _unpack(packed))
    return made


def pack(value: Any) -> bytes:
    """Return bytes from which `unpack` makes an equal object. Raises TypeError for a class not remembered."""
    return json.dumps(_pack(value), separators=(",", ":")).encode()


def unpack(data: bytes) -> Any:
    """Return what was packed. Raises DumpUnreadable."""
    try:
        return _unpack(json.loads(data))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DumpUnreadable(f"not a dump of this judge: {error}") from error
