"""Checks of single values, shared by the models."""

from __future__ import annotations

import re
import unicodedata
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

if TYPE_CHECKING:
    from collections.abc import Callable

    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema

_NAME = re.compile(r"[^\W_][\w .+/-]{0,39}", re.UNICODE)
_NUMBERS = re.compile(r"\d{1,3}(-\d{1,3})?(, *\d{1,3}(-\d{1,3})?)*")
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?")


class CheckedBy:
    """Says beside a type how its values are checked at the door: by a function that returns the value or raises ValueError.

    before: it is given what stands in the file, else what was taken for the type.
    """

    def __init__(self, check: Callable[[Any], Any], *, before: bool = False) -> None:
        self._check, self._before = check, before

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        way = (
            core_schema.no_info_before_validator_function
            if self._before
            else core_schema.no_info_after_validator_function
        )
        return way(self._check, handler(source))


class Allowed:
    """Says beside the type of a list's items which values it may have, in the words of pydantic's `Field`."""

    def __init__(self, **says: Any) -> None:
        self._says = says

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic import Field

        return handler.generate_schema(Annotated[source, Field(**self._says)])


def check_name(value: str) -> str:
    """Return a name of 1 to 40 letters, digits, spaces or `. + / - _`, the first a letter or digit; else ValueError.

    Composed and decomposed accents become one spelling, so a name refers to what looks the same.
    """
    value = unicodedata.normalize("NFC", value)
    if not _NAME.fullmatch(value) or value != value.strip():
        raise ValueError("1 to 40 letters, digits, spaces or . + / - _, starting with a letter or digit")
    return value


def check_timezone(value: str) -> str:
    """Return an IANA zone name that this system knows; else ValueError."""
    try:
        ZoneInfo(value)
    # ValueError: a whole path, or a NUL in it. OSError: a folder of zones, such as Europe.
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError("an IANA time zone name such as Europe/Vienna") from error
    return value


def check_local_time(value: Any) -> Any:
    """Return a time of day from `21:00` or `21:00:00`, quoted or not; else ValueError.

    A bare 21 would be taken for 21 seconds past midnight, and a zone has no meaning in local time.
    """
    if isinstance(value, str) and _TIME.fullmatch(value):
        return time.fromisoformat(value)
    if isinstance(value, time) and value.tzinfo is None:
        return value
    raise ValueError("a local time of day such as 21:00, without a zone")


def false_is_none(value: Any) -> Any:
    """Return None for `false`, the only way TOML has to say "none" where leaving out means the default."""
    return None if value is False else value


def check_numbers(value: str) -> str:
    """Return a row of numbers as `30-37` or `30-33, 40`; else ValueError."""
    if not _NUMBERS.fullmatch(value):
        raise ValueError("a row of numbers such as 30-37, or 30-33, 40")
    return value


LocalTime = Annotated[time, CheckedBy(check_local_time, before=True)]
PathText = Annotated[Path, Allowed(strict=False)]
"""A path written as text, which strict models would otherwise refuse."""
