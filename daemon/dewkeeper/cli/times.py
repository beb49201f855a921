"""Times and durations as people type them."""

from __future__ import annotations

import argparse
import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date
    from zoneinfo import ZoneInfo

_UNITS = {"s": 1, "m": 60, "h": 3600, "d": 86400, "w": 7 * 86400}
_LONGEST_DAYS = 36525
"""A hundred years: what is longer is a slip, and no calendar may hold it."""


def duration_seconds(text: str) -> int:
    """Return the seconds of `90m`, `8h`, `2d`, `1h30m`: above 0, at most a hundred years.

    Raises argparse.ArgumentTypeError for anything else.
    """
    parts = re.findall(r"(\d{1,10})([smhdw])", text)
    if not parts or "".join(n + u for n, u in parts) != text:
        raise argparse.ArgumentTypeError(f"{shown(text)} is no duration; write 90m, 8h, 2d or 1h30m")
    seconds = sum(int(number) * _UNITS[unit] for number, unit in parts)
    if not 0 < seconds <= _LONGEST_DAYS * 86400:
        raise argparse.ArgumentTypeError(f"{shown(text)} is no duration above 0 and up to {_LONGEST_DAYS}d")
    return seconds


def positive_seconds(text: str) -> float:
    """Return a number of seconds above 0, at most a day; raises argparse.ArgumentTypeError for anything else."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds <= 86400:
        raise argparse.ArgumentTypeError(f"{shown(text)} is no number of seconds above 0 and up to a day")
    return seconds


def moment(text: str, now: float, zone: ZoneInfo) -> int:
    """Return the UTC second of a local time: `07:30` (the last one), `2026-03-01 07:30`, `2h ago`, or ISO 8601 with offset.

    Raises argparse.ArgumentTypeError.
    """
    at = _moment(text, now, zone)
    # A year typed with a digit too many is refused here, where the typist sees it, not stored.
    if not 0 < at <= now + _LONGEST_DAYS * 86400:
        raise argparse.ArgumentTypeError(f"{shown(text)} is not a time between 1970 and a hundred years from now")
    return at


def local_date(text: str) -> date:
    """Return a local date: `2026-11-25`, from 1970 on. Raises argparse.ArgumentTypeError."""
    from datetime import date  # no help text needs a calendar

    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{shown(text)} is no date; write 2026-11-25") from error
    if day.year < 1970:
        raise argparse.ArgumentTypeError(f"{shown(text)} is before 1970")
    return day


def shown(text: str) -> str:
    """Return what was typed, quoted, as much of it as a line can hold."""
    return repr(text if len(text) <= 60 else f"{text[:60]}...")


def _moment(text: str, now: float, zone: ZoneInfo) -> int:
    from datetime import datetime, timedelta

    if text.endswith(" ago"):
        return int(now) - duration_seconds(text.removesuffix(" ago").strip())
    here = datetime.fromtimestamp(now, zone)
    if re.fullmatch(r"\d{1,2}:\d{2}", text):
        hour, minute = map(int, text.split(":"))
        # Compared as instants, for in the night in which the clock is put back a wall clock's time comes twice.
        try:
            came = [
                (here - timedelta(days=back))
                .replace(hour=hour, minute=minute, second=0, microsecond=0, fold=fold)
                .timestamp()
                for back in (0, 1)
                for fold in (0, 1)
            ]
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{shown(text)} is no time of day") from error
        return int(max(at for at in came if at <= now))
    try:
        found = datetime.fromisoformat(text.replace("Z", "+00:00"))
        return int((found if found.tzinfo else found.replace(tzinfo=zone)).timestamp())
    except (ValueError, OverflowError) as error:
        raise argparse.ArgumentTypeError(
            f"{shown(text)} is no time; write 07:30, 2026-03-01 07:30 or `2h ago`"
        ) from error
