"""One enclosure over a night, day, week, month or year: the curve, the band, and what happened meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Literal, get_args
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import Command, Event, JournalEntry
from dewkeeper.judge.words import EXCURSIONS, FAULTS, JOURNAL, KINDS
from dewkeeper.report.contract import JUDGED, Past, Trace, moist, together
from dewkeeper.report.gaps import Stretch, gaps_of
from dewkeeper.report.model import Gap, Limiting, NowValues, Standing, to_plain
from dewkeeper.report.morning import limiting
from dewkeeper.report.nights import day_start, night_to_show
from dewkeeper.report.quarantine import HEEDED, isolations, rooms_of
from dewkeeper.report.standing import now_values, standing_now, warmth_now
from dewkeeper.report.watching import STALE_POLLS, stale_after
from dewkeeper.report.wording import beyond
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import effective_limits

Span = Literal["night", "day", "week", "month", "year"]
SPANS: tuple[Span, ...] = get_args(Span)
_DAYS: dict[Span, int] = {"day": 1, "week": 7, "month": 31, "year": 366}
_POINTS = 240
"""Slices of a chart: as many as a phone's width can show."""


@dataclass(frozen=True, slots=True)
class JournalMark:
    """A journal entry on the chart; `misting` ones are drawn differently."""

    id: str
    at: int
    text: str
    misting: bool


@dataclass(frozen=True, slots=True)
class EnclosureReport:
    """Everything the enclosure screen shows.

    traces: one for every probe that was in it, the judged ones first. pause_seconds: a longer one breaks a curve.
    gaps: when no judged probe was believed whole; temperature_gaps: when the temperature of none was. warmth_now_c: °C of now
    where `now` is None because the humidity alone is doubted.
    """

    enclosure: str
    span: Span
    start: int
    end: int
    limits: Limiting
    traces: tuple[Trace, ...]
    pause_seconds: int
    gaps: tuple[Gap, ...]
    temperature_gaps: tuple[Gap, ...]
    stretches: tuple[Stretch, ...]
    marks: tuple[JournalMark, ...]
    now: NowValues | None
    alarms: tuple[Standing, ...]
    stage: str
    stage_until: int | None
    out_of_service: Command | None
    warmth_now_c: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the report as JSON values."""
        plain: dict[str, Any] = to_plain(self)
        return plain


def judged_probes(config: Config, name: str) -> list[str]:
    """Return the judged probes of the enclosure `name`, or the probe of that name, or none."""
    judged = [p.name for p in config.probe if p.enclosure == name and p.role == JUDGED]
    return judged or [p.name for p in config.probe if p.name == name]


def enclosure(history: Past, config: Config, name: str, span: Span, now: int) -> EnclosureReport:
    """Return the report of enclosure `name` over `span` up to `now` (UTC seconds).

    Raises KeyError for an unknown enclosure, StoreError when the store cannot be read.
    """
    start, end = span_of(config, span, now)
    in_force = history.in_force()
    limits = in_force.limits(name, now) or effective_limits(config, name)
    traces = tuple(history.traces(name, start, end, _POINTS))
    points = together(trace for trace in traces if trace.judged)
    # What stands in the span may have been raised before it; further back than a month is not looked for.
    events = history.events(start - 31 * 86400, name)
    stretches = tuple(s for s in stretches_of(events) if (s.end is None or s.end > start) and s.start < end)
    latest = history.latest()
    stage, until = in_force.stage(name, now)
    fresh = stale_after(config)
    newest = [latest[probe] for probe in judged_probes(config, name) if probe in latest]
    present = now_values(newest, limits, now, fresh)
    believed = max((n.reading.time for n in newest if n.quality.counts), default=None)
    felt = max((n.reading.time for n in newest if n.quality.temperature_counts), default=None)
    # Only a span that ends now may lack readings that are not committed yet.
    over, fresh_now = min(end, now), fresh if end >= now else 0
    return EnclosureReport(
        enclosure=name,
        span=span,
        start=start,
        end=end,
        limits=limiting(limits),
        traces=traces,
        pause_seconds=STALE_POLLS * in_force.slowest_poll_seconds(start, end),
        gaps=tuple(gaps_of(moist(points), start, over, stretches, in_force, believed, fresh_now)),
        temperature_gaps=tuple(gaps_of(points, start, over, stretches, in_force, felt, fresh_now)),
        stretches=stretches,
        marks=tuple(journal_mark(e) for e in history.journal(start, enclosure=name) if e.time < end),
        now=present,
        warmth_now_c=None if present is not None else warmth_now(newest, limits, now, fresh),
        alarms=tuple(a for a in standing_now(history, config, now, latest) if a.enclosure == name),
        stage=stage or next(e.profile for e in config.enclosure if e.name == name),
        stage_until=_stage_end(history, config, name, stage, until, now),
        out_of_service=in_force.out_of_service(name),
    )


def _stage_end(history: Past, config: Config, name: str, stage: str, until: int, now: int) -> int | None:
    """Return when a stage ends, None where nothing says so; of quarantine: when its clock, begun anew or not, has run out."""
    if stage != "quarantine":
        return until if stage and until >= 0 else None
    held = isolations([e for e in history.journal(0, words=HEEDED) if e.time <= now], rooms_of(config)).get(name)
    return held.end if held is not None and held.end > now else None


def room_traces(history: Past, config: Config, name: str, start: int, end: int) -> tuple[Trace, ...]:
    """Return what the probes of the air around enclosure `name` read over [start, end). Raises StoreError."""
    rack = next(e.rack for e in config.enclosure if e.name == name)
    room = next(r.room for r in config.rack if r.name == rack)
    probes = (p for p in config.probe if p.role == "room" and p.room == room)
    return tuple(Trace(p.name, p.role, tuple(history.series(p.name, start, end, _POINTS))) for p in probes)


def default_span(history: Past, config: Config, name: str, now: int) -> Span:
    """Return what to show of an enclosure unasked: the night, but where something stands a span that contains now."""
    over = night_to_show(config.site, now).end < now
    return "day" if over and any(a.enclosure == name and a.state != "normal" for a in history.standing()) else "night"


def span_of(config: Config, span: Span, now: int) -> tuple[int, int]:
    """Return the instants [start, end) a span covers: the night of the glance, or so many local days up to now."""
    if span == "night":
        night = night_to_show(config.site, now)
        return night.start, night.end
    if span == "day":
        return now - 86400, now
    zone = ZoneInfo(config.site.timezone)
    first = datetime.fromtimestamp(now, zone).date() - timedelta(days=_DAYS[span] - 1)
    return day_start(first, zone), now


def stretches_of(events: Sequence[Event]) -> list[Stretch]:
    """Return excursions and faults as stretches of time, from events in time order."""
    found: dict[str, Stretch] = {}
    for event in events:
        if event.kind not in EXCURSIONS and event.kind not in FAULTS:
            continue
        before = found.get(event.alarm)
        if event.event in ("raised", "escalated"):
            start = before.start if before else event.since
            text = KINDS[event.kind].label if event.kind in FAULTS else beyond(event.kind, event.band)
            found[event.alarm] = Stretch(start, None, event.kind, text, event.kind in FAULTS, event.probe)
        elif event.event == "cleared" and before is not None:
            found[event.alarm] = replace(before, end=event.time)
    return list(found.values())


def journal_mark(entry: JournalEntry) -> JournalMark:
    """Return a journal entry as a mark on a chart."""
    label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
    return JournalMark(
        entry.id, entry.time, label + (f": {entry.detail}" if entry.detail else ""), entry.what == "misted"
    )
