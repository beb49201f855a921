"""The round as it is now, and its message at the hour the keeper chose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from dewkeeper.judge.words import JOURNAL
from dewkeeper.notify.daily import date_due, overdue_paths
from dewkeeper.notify.message_words import TITLE_LENGTH, page_line
from dewkeeper.notify.people import Draft
from dewkeeper.notify.planner_state import Memory
from dewkeeper.report.animals import ABOUT_THE_ANIMAL
from dewkeeper.report.calibration_checks import checks
from dewkeeper.report.due import ServiceRound
from dewkeeper.report.evening import evening
from dewkeeper.report.evening_told import air_aside, air_due, score
from dewkeeper.report.hygiene import damp_seconds
from dewkeeper.report.past import StoredPast
from dewkeeper.report.round import RoundFacts, service_round
from dewkeeper.report.shed_round import to_grade
from dewkeeper.report.standing import now_values
from dewkeeper.report.watching import stale_after
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import effective_limits

ROUND_GRACE_SECONDS: Final = 4 * 3600
"""A message about the evening that could not be made in the evening is left for the next day."""
_OFTEN: Final = frozenset({"misted", "opened", "closed", "closed_again", "fed", "refused", "handled", "note"})
"""Words the round does not read: most of what is written every day."""
READ: Final = tuple(word for word in JOURNAL if word not in _OFTEN or word in ABOUT_THE_ANIMAL & {"note"})


def round_now(past: StoredPast, config: Config, now: int) -> ServiceRound:
    """Return the round of the local date of `now` (UTC seconds). Raises StoreError."""
    memory = Memory.load(past.notes().get("planner"))
    resting = past.in_force().resting(enclosure.name for enclosure in config.enclosure)
    journal = past.journal(0, words=READ)
    hidden = to_grade(journal)
    # Whoever grades a shed must not know the air; in the same tub nothing is said of it until then.
    advice = [one for one in evening(past, config, now) if one.enclosure not in hidden]
    today = datetime.fromtimestamp(now, ZoneInfo(config.site.timezone)).date()
    facts = RoundFacts(
        damp_seconds=damp_seconds(past, config, journal, now, hidden),
        temperatures=_egg_temperatures(past, config, now),
        air=air_due(advice, today),
        aside=air_aside(advice, score(past, now)),
        resting={out.enclosure or "": out.until for out in resting},
        probe_checks={
            one.probe: one.due for one in checks(past.calibrations(), config, {}, now) if one.due is not None
        },
        untested=overdue_paths(config, memory.confirmed, memory.paths_from or now, now),
    )
    return service_round(journal, config, now, facts)


def _egg_temperatures(past: StoredPast, config: Config, now: int) -> dict[str, str]:
    """Return what the temperature is now, enclosure by enclosure, where a believed reading of now tells it."""
    latest, wording, in_force = past.latest(), Wording.of(config.site), past.in_force()
    found = {}
    for enclosure in config.enclosure:
        limits = in_force.limits(enclosure.name, now) or effective_limits(config, enclosure.name)
        probes = [p.name for p in config.probe if p.enclosure == enclosure.name and p.role == "substrate"]
        newest = now_values((latest[p] for p in probes if p in latest), limits, now, stale_after(config))
        if newest is not None and not newest.stale:
            found[enclosure.name] = f"{wording.temperature(newest.temperature_c)} at {wording.clock(newest.at)}"
    return found


def round_due(config: Config, done: Mapping[str, str], now: int, zone: ZoneInfo) -> str | None:
    """Return the local date whose round is to be told now, or None. done: the date last done under `round`."""
    return date_due(config.notify.round_at, ROUND_GRACE_SECONDS, done.get("round"), now, zone)


def round_draft(day: str, said: tuple[str, Sequence[str]], link: str | None) -> Draft:
    """Return the message that says what is due on a day."""
    title, lines = said
    address = None if link is None else f"{link.rstrip('/')}/round"
    return Draft(
        event=f"round/{day}",
        title=title[:TITLE_LENGTH],
        lines=(*lines, *([page_line(address)] if address else [])),
        priority="low",
        kind="round",
        facts={"link": address} if address else {},
        bypass_quiet=True,  # the person named the hour
    )
