"""Times without believed readings, found in what was read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from dewkeeper.report.contract import MoistPoint, Past, Point, moist
from dewkeeper.report.model import Gap
from dewkeeper.report.watching import STALE_POLLS
from dewkeeper.store.in_force import InForce

_MOST_LOOKED_AT: Final = 12
"""Of so many enclosures at once it is looked up when they were not read; a night's readings are read for each."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time in which something held: an excursion or a fault. `end` is None while it lasts."""

    start: int
    end: int | None
    kind: str
    text: str
    fault: bool
    probe: str | None = None


def gaps_of(
    points: Sequence[Point | MoistPoint],
    start: int,
    end: int,
    stretches: Sequence[Stretch],
    in_force: InForce,
    newest: int | None,
    fresh_seconds: int,
) -> list[Gap]:
    """Return the times in [start, end) that no point covers for longer than three polls of then.

    What was before the first settings of all and the first point is no gap. newest: when the newest believed reading was
    taken, if known: a gap that lasts begins there, not with the slice. fresh_seconds: how old a reading of now may be, where
    `end` is now: what was read since may not be committed yet.
    """
    gaps: list[Gap] = []
    first = [at for at in (in_force.began, points[0].at if points else None) if at is not None]
    covered = max(start, min(first, default=start))
    for point in [*points, None]:
        at = point.at if point is not None else end
        if point is None and newest is not None:
            covered = min(covered, max(start, newest + in_force.poll_seconds(newest)))
        borne = STALE_POLLS * in_force.poll_seconds(covered)
        if at - covered > (max(borne, fresh_seconds) if point is None else borne):
            fault = next(
                (s for s in stretches if s.fault and s.start < at and (s.end is None or s.end > covered)), None
            )
            gaps.append(Gap(covered, at, fault.text if fault else ""))
        if point is not None:
            covered = max(covered, point.at + point.seconds)
    return gaps


def gaps_by_enclosure(
    past: Past, in_force: InForce, enclosures: Collection[str], start: int, end: int, fresh_seconds: int
) -> Mapping[str, tuple[Gap, ...]]:
    """Return when enclosures were not read in [start, end), to a minute; of many at once only of the first.

    fresh_seconds: as `gaps_of` has it. Raises StoreError.
    """
    minutes = max(1, (end - start) // 60)
    return {
        name: tuple(
            gaps_of(moist(past.series(name, start, end, minutes)), start, end, (), in_force, None, fresh_seconds)
        )
        for name in list(enclosures)[:_MOST_LOOKED_AT]
    }
