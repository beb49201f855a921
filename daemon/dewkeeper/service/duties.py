"""What the calendar has the daemon do: chores and learning at night, the advice of the evening, a sign of life."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from datetime import time as wall_time
from zoneinfo import ZoneInfo

from dewkeeper.insight import LEARN_AT
from dewkeeper.report.evening import evening
from dewkeeper.report.evening_told import ADVICE, kept, outcomes
from dewkeeper.report.past import StoredPast
from dewkeeper.service.calendar import Task
from dewkeeper.slots import Daily, Every
from dewkeeper.store.records import FIGURES
from dewkeeper_config.models import Config

_CHORE_AT = wall_time(4, 10)  # outside the hours any DST change touches
_ADVISE_AT = wall_time(18)
# As the round's message has it (`notify/round_message.py`): said later it helps nobody that evening.
_ADVISE_GRACE_SECONDS = 4 * 3600


def duties(
    config: Config,
    nightly: Callable[[], None],
    learn: Callable[[], None],
    beat: Callable[[], None],
    now: Callable[[], int],
    store_note: Callable[[str, str], None],
) -> list[Task]:
    """Return the calendar's entries. now: UTC seconds. store_note: stores a named fact."""
    zone = ZoneInfo(config.site.timezone)

    def advise() -> None:
        keep_advice(config, now(), store_note)

    tasks = [
        Task("nightly", Daily(_CHORE_AT, zone), nightly),
        Task("learning", Daily(LEARN_AT, zone), learn),
        Task("advice", Daily(config.notify.round_at or _ADVISE_AT, zone), advise, _ADVISE_GRACE_SECONDS),
    ]
    if config.notify.heartbeat_url is not None:
        tasks.append(Task("heartbeat", Every(round(config.notify.heartbeat_minutes * 60)), beat))
    return tasks


def keep_advice(config: Config, now: int, store_note: Callable[[str, str], None]) -> None:
    """Keep what is said of the air this evening, so that it can be scored, and how that of before came out.

    It takes the place of last month's. Raises StoreError.
    """
    with StoredPast.open(config) as past:
        advice, came = evening(past, config, now), outcomes(past, now)
    for name, text in came.items():
        store_note(f"{FIGURES}{ADVICE}{name}", text)
    day = datetime.fromtimestamp(now, ZoneInfo(config.site.timezone)).day
    store_note(f"{FIGURES}{ADVICE}{day:02d}", kept(advice, now))
