"""From a side's level to what is found of its enclosure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from dewkeeper.judge.account import account_of
from dewkeeper.judge.beliefs import Belief
from dewkeeper.judge.cause import advice, cause_of, consequence
from dewkeeper.judge.contract import Amended, Eased, Finding, Over, Stands
from dewkeeper.judge.detectors.lid_open import misted
from dewkeeper.judge.hold_off import decide, words
from dewkeeper.judge.journal_words import JOURNAL
from dewkeeper.judge.limit_alarm import Side
from dewkeeper.judge.probe_past import Hour
from dewkeeper.judge.rationale import HOUR
from dewkeeper.judge.view import View

_RETURN_SECONDS: Final = 600
"""How much longer a suppression lasts, each time, while the air is back inside and only the off-delay is owed."""

_SOON_SECONDS: Final = 1800
"""A misting carries the air across a limit within minutes; written down within half an hour of it, common practice."""
_DRIED_SHARE: Final = 0.1
"""A misting half of which is gone within seven hours has lost more than this of its rise an hour later. Looked at on
tuning seed 21 of the month's bench: mistings had lost half of it, covered vents none."""
_MISTED_WITHIN_SECONDS: Final = 86400
"""So far back the journal is asked: damp that tolerates a day is told a day after it began."""


def change_level(view: View, side: Side, level: int) -> Iterator[Finding]:
    """A side of a probe went to another level: its alarm is raised, escalated, eased or over."""
    before = side.level
    if level > before:
        decision = decide(view, side)
        yield from decision.found
        if decision.named:
            side.drop(before)
        elif decision.wait:
            side.put_off(decision.wait)
        else:
            side.level = level
            yield _told(view, side, decision.doubt, escalates=side.kind == "hot" and level > before == 1)
            if side.kind == "dry":
                yield Over("dry_soon", "it is too dry now", holder=None)
        return
    side.level = level
    # With the figures of the level it had: what is over is told by them.
    yield Amended(side.kind, side.measure(before))
    # How hot it was outlives the heat: the vet asks for it.
    alarm = view.alarm("hot") if side.kind == "hot" and level == 0 else None
    if alarm is not None:
        yield Amended("hot", view.hottest(alarm))
    if level == 0:
        yield Over(side.kind)
    # A heat that was danger is no milder alarm before it is over.
    elif side.kind != "hot":
        yield Eased(side.kind, side.limit)


def _told(view: View, side: Side, doubt: Belief | None, *, escalates: bool) -> Stands:
    """Return what is told of a side at its level."""
    level, air = side.level, view.probe.air
    started = min(r.since for r in (*side.runs(), side.read) if r is not None and r.active)
    cause = cause_of(view, side.kind, started)
    response = advice(view, side.kind, cause)
    detail = side.measure(level)
    parts = None if side.thermal else account_of(view, started, -1 if side.kind == "dry" else 1)
    if parts is not None:
        detail |= parts.told(view)
    if side.kind == "hot" and level == 2:
        detail["danger"] = 1
    if side.kind == "damp" and _just_misted(view, started):
        detail["misted"] = 1
    if doubt is not None:
        said, response, beside = words(view, side, doubt, response)
        cause, detail = said or cause, detail | beside
    return Stands(
        side.kind, started, round(air.t if side.thermal else air.h, 2), side.sign * (side.outer if level == 2 else side.milder).limit,
        cause, response, detail, band="tolerable" if level == 2 or side.kind == "hot" else "target",
        consequence=consequence(view, side.kind), escalates=escalates,
    )  # fmt: skip


def _just_misted(view: View, since: int) -> bool:
    """Return whether what began then began with a misting, as the air shows it or the journal has it."""
    at = misted(view.probe)
    if abs(since - at) <= _SOON_SECONDS and _dries_off(view.probe.past.hours, at // HOUR):
        return True
    return any(
        abs(since - at) <= _SOON_SECONDS
        for at, word in view.entries(_MISTED_WITHIN_SECONDS)
        if word is JOURNAL["misted"]
    )


def _dries_off(hours: Sequence[Hour], hour: int) -> bool:
    """Return whether vapour that rose in an hour has gone down since, as a misting's does; covered vents keep theirs."""
    vapour = {number: e for number, _, e, *_ in hours}
    after = [e for number, e in vapour.items() if number > hour]
    if len(after) < 2:
        return True  # too soon to tell
    most = max(vapour.get(hour, after[0]), after[0])
    return most - after[-1] > _DRIED_SHARE * max(0.0, most - vapour.get(hour - 1, most))


def may_wait(view: View, side: Side) -> tuple[int, list[Finding]]:
    """Return how many seconds a suppressed excursion that this side holds need not be told yet though its suppression ends (0: tell it), and what is found.

    It need not while the probe reads inside the limit that was passed: what is left is off-delay and deadband, or a milder
    band whose own delay still runs. Nor, if it was never told, while its probe is in question; that is asked anew as
    often as of an excursion that nothing suppresses, so that it lasts no longer than its bound.
    """
    value = side.sign * (view.probe.air.t if side.thermal else view.probe.air.h)
    inner, outer = side.milder, side.outer
    found: list[Finding] = []
    if value >= inner.limit:
        return _RETURN_SECONDS, found
    if side.level == 2 and value >= outer.limit and inner is not outer:
        if inner.seconds < inner.delay:
            return _RETURN_SECONDS, found
        found.append(Eased(side.kind, side.limit))
        side.drop(1)  # should it go beyond tolerable again, that escalates as ever
    alarm = view.alarm(side.kind)
    if alarm is None or alarm.told:
        return 0, found
    decision = decide(view, side)  # as if it were only due now
    found += decision.found
    if decision.named:
        side.drop()
        found.append(Over(side.kind))
        return _RETURN_SECONDS, found
    if decision.doubt is not None:
        cause, response, detail = words(view, side, decision.doubt, "")
        found.append(Amended(side.kind, detail, cause, response))
    return decision.wait, found
