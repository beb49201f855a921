"""Whether an enclosure is watched: by readings that were believed, now, and all the time that is spoken of.

"All well" is a claim: it needs every enclosure in service watched throughout. Out of service,
shelved, unwatched and calm are four different words, and each enclosure has one of them or something worse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from dewkeeper.judge.words import FAULTS, KINDS
from dewkeeper.report.contract import Newest, Past
from dewkeeper.report.model import NEVER_READ, NO_PROBE, NOT_BELIEVED, Standing, Unwatched
from dewkeeper.report.order import BLINDING
from dewkeeper.store.in_force import InForce
from dewkeeper_config.models import Config

# As for the judge: a gap of up to three polls is no break.
STALE_POLLS = 3


def stale_after(config: Config) -> int:
    """Return the age in seconds from which a reading is not of now.

    Three polls; and where readings are committed more rarely than they are taken, what that takes besides.
    """
    poll = config.site.poll_seconds
    return STALE_POLLS * poll + max(0, round(config.storage.commit_minutes * 60) - poll)


def is_stale(at: int, now: int, stale_after_seconds: int) -> bool:
    """Return whether a reading of this time is not of now: too old, or of a time that has not come yet."""
    return abs(now - at) > stale_after_seconds


def silent_since(newest: Iterable[Newest], now: int, stale_after_seconds: int) -> int | None:
    """Return when the newest reading of all was taken if even that one is stale: no probe is at fault, nothing is read."""
    times = [n.reading.time for n in newest]
    fresh = any(not is_stale(at, now, stale_after_seconds) for at in times)
    return None if fresh else max(times, default=None)


def just_read(history: Past, latest: Mapping[str, Newest], now: int, stale_after_seconds: int) -> frozenset[str]:
    """Return the enclosures of which a reading was believed within the last polls; asked only where the newest was not."""
    if all(n.quality.counts for n in latest.values()):
        return frozenset()
    recent = history.nights(now - stale_after_seconds, now + 1)
    return frozenset(name for name, sums in recent.items() if sums.watched_seconds)


def as_far_as_known(alarm: Standing, unseen: Unwatched) -> Standing:
    """Return an alarm about the air with the time until which it was measured: nothing is claimed for hours nobody measured.

    One about a probe makes nobody blind while another probe of its enclosure is believed.
    """
    if alarm.blind and not unseen.now:
        return replace(alarm, blind=False)
    if not unseen.now or unseen.since is None or is_fault(alarm) or alarm.state == "returned_unacknowledged":
        return alarm
    return replace(alarm, known_until=max(alarm.since, unseen.since))


def unwatched(
    judged: Collection[str],
    alarms: Iterable[Standing],
    latest: Mapping[str, Newest],
    minutes: float,
    now: int,
    stale_after_seconds: int,
    *,
    just_read: bool = False,
) -> Unwatched:
    """Return whether an enclosure is watched now, why not, and for how many minutes it was not.

    judged: its judged probes; one that is believed is enough. minutes: of the time that is spoken of, without any
    believed reading. just_read: whether one was believed within the last polls, though the newest was not: a single poll
    that failed is no gap.
    """
    blind = {
        a.probe: a for a in alarms if a.kind in BLINDING and a.state != "returned_unacknowledged" and a.probe in judged
    }
    sound = [p for p in judged if p not in blind]
    fresh = [p for p in sound if p in latest and not is_stale(latest[p].reading.time, now, stale_after_seconds)]
    if fresh and (just_read or any(latest[p].quality.counts for p in fresh)):
        return Unwatched(minutes, False, "", None)
    if blind and not fresh:
        fault = min(blind.values(), key=lambda alarm: alarm.since)
        return Unwatched(minutes, True, KINDS[fault.kind].label, fault.since)
    believed = [latest[p].reading.time for p in sound if p in latest and latest[p].quality.counts]
    never = not any(p in latest for p in sound)
    read = NOT_BELIEVED if not sound else NEVER_READ if never else "no new reading"
    reason = read if judged else NO_PROBE
    return Unwatched(minutes, True, reason, max(believed, default=None))


def due_seconds(in_force: InForce, enclosure: str, start: int, end: int) -> int:
    """Return for how many seconds of [start, end) an enclosure was configured and in service: so long it was to be watched."""
    if in_force.began is None:
        return max(0, end - start) if in_force.settings(start) is None else 0
    windows = [(max(w.start, in_force.began), w.end) for w in in_force.windows(enclosure, start, end)]
    return sum(
        max(0, last - first) - in_force.out_of_service_seconds(enclosure, first, max(first, last))
        for first, last in windows
    )


def is_fault(alarm: Standing) -> bool:
    """Return whether an alarm is about a probe rather than about the air."""
    return alarm.kind in FAULTS
