"""What waits for the morning message, so that a day with nothing pressing brings no other. Pure functions.

Where no morning message is configured nothing waits, and everything is told by itself.
"""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import Event
from dewkeeper.judge.words import FORECASTS
from dewkeeper.notify.phrases import time_to_respond
from dewkeeper.slots import Daily
from dewkeeper_config.models import Config

QUICK_SECONDS: Final = 6 * 3600
"""What must be answered sooner than this is repeated in the daytime too; anything slower is in the next morning message."""
SOON_SECONDS: Final = 2 * 3600
"""A reminder due so shortly before the morning message is left to it."""


def next_morning(config: Config, now: int, zone: ZoneInfo) -> int | None:
    """Return when the next morning message goes out, UTC seconds; None where none is configured."""
    at = config.notify.morning_at
    if at is None:
        return None
    return Daily(at, zone).next_slot(now)


def waits(event: Event, morning: int | None, quiet_end: int | None, *, urgent_before: bool) -> bool:
    """Return whether what happened is told in the next morning message and not by itself.

    News of low priority wait, unless they must be answered before that message and somebody is up, for they never pass quiet
    hours; of a forecast what counts is told when it
    comes true. Ends wait, but those of what was ever urgent: somebody may be on the way. Medium news wait only where
    everybody sleeps longer, or as good as, and they need not be answered before; or where they are damp since a misting:
    whoever misted knows, and what is still damp by that message has its day to respond all the same.

    morning: when that message goes out; quiet_end: when the quiet hours of all who are told first end, None when somebody
    is up. UTC seconds.
    """
    if morning is None or event.priority == "urgent":
        return False
    within = time_to_respond(event)
    asleep = quiet_end is not None and morning <= quiet_end + SOON_SECONDS // 2
    match event.event:
        case "cleared":
            return not urgent_before
        case "raised" | "escalated" if event.priority == "low":
            return asleep or event.kind in FORECASTS or event.time + within > morning
        case "raised" | "escalated":
            if event.detail.get("misted"):
                return event.time + within > morning
            return asleep and event.time + within > max(morning, quiet_end or 0)
        case "reminded":
            return within >= QUICK_SECONDS
        case _:
            return event.priority == "low"
