"""Checks of single values, shared by the models."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_NAME = re.compile(r"[^\W_][\w .+/-]{0,39}", re.UNICODE)


def check_name(value: str) -> str:
    """Return a name of 1 to 40 letters, digits, spaces or `. + / - _`, starting with a letter or digit; else ValueError."""
    if not _NAME.fullmatch(value) or value != value.strip():
        raise ValueError("1 to 40 letters, digits, spaces or . + / - _, starting with a letter or digit")
    return value


def check_timezone(value: str) -> str:
    """Return an IANA zone name that this system knows; else ValueError."""
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError("an IANA time zone name such as Europe/Vienna") from error
    return value
