"""What `dewkeeper replay` does: the judge run over a readings file, or over the past, once or by two settings."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, as_json, complain, emit, emit_json, plain_error, say
from dewkeeper.insight import LEARN_AT
from dewkeeper.interchange import format_time
from dewkeeper.judge.types import Event, Item, JournalEntry, Settings
from dewkeeper.report.readings_file import ReadingsFile, Refusals, Row, read_journal
from dewkeeper.report.replaying import (
    LASTING,
    TOLD,
    Difference,
    Excursion,
    compare,
    excursions,
    replay_items,
    replay_rows,
    told,
)
from dewkeeper.report.wording import Wording, duration
from dewkeeper.service.settings import judge_settings
from dewkeeper.slots import Daily
from dewkeeper_config.errors import ConfigError
from dewkeeper_config.loading import ReplayConfig, load
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.insight.pupil import Pupil

WEEK_SECONDS = 7 * 86400
_LISTED = 30
"""So many alarms that come or go are listed for people; JSON has all."""
T = TypeVar("T", Row, Item)


class Source:
    """Where a replay reads from, the stretch of time it covers, and what it refused."""

    def __init__(self, args: Arguments, config: Config, settings: Settings) -> None:
        self.readings = None if args.readings is None else ReadingsFile(args.readings)
        self.journal: Path | None = args.journal
        self.folder = config.storage.folder
        self._unlearned: bool = args.unlearned
        self._learns = Daily(LEARN_AT, ZoneInfo(config.site.timezone))
        self.since = int(time.time()) - args.since if args.since is not None else 0
        self.first: int | None = None
        self.last = 0
        self.refused: dict[str, Refusals] = {}
        self._spanning = args.compare is not None  # it costs a tenth of a microsecond a row
        self.pace = None if self.readings is None else _file_pace(self.readings, settings)

    @property
    def weeks(self) -> float:
        """How many weeks the readings cover, at least one: a rate over less would say more than is known."""
        return max(1.0, (self.last - (self.first or self.last)) / WEEK_SECONDS)

    def events(self, settings: Settings | None) -> Iterator[Event]:
        """Yield the events of everything there is, under some settings, or (None) under those that were in force."""
        if self.readings is None:
            from dewkeeper.store.history import History  # a readings file needs no database: half a second on a Pi

            with History.open(self.folder) as history:
                earlier = history.items_before(self.since, LASTING)
                yield from replay_items(settings, self._spanned(history.stream(self.since)), earlier)
            return
        if settings is None:
            raise ValueError("a file does not know what settings were in force")
        if self.pace is not None:
            settings = replace(settings, poll_seconds=self.pace)
        # Anew at each run: a comparison reads the file twice, and what was refused is told once.
        refused = self.refused[str(self.readings.path)] = Refusals()
        journal = []
        if self.journal is not None:
            slips = self.refused[str(self.journal)] = Refusals()
            journal = read_journal(self.journal, settings.enclosures, slips)
        rows = self.readings.rows(settings.probes, refused)
        yield from replay_rows(settings, self._spanned(rows), journal, self._pupil(settings, journal))

    def _pupil(self, settings: Settings, journal: Sequence[JournalEntry]) -> Pupil | None:
        """Return who learns along with a file; None where nobody is to, and, with a word, where what it takes is not installed."""
        if self._unlearned:
            return None
        try:
            from dewkeeper.insight.pupil import Pupil
        except ModuleNotFoundError as error:
            complain(f"{error.name} is not installed: judged without what the daemon would have learned meanwhile")
            return None
        return Pupil(settings, journal, self._learns)

    def close(self) -> None:
        """Give back what reading took."""
        if self.readings is not None:
            self.readings.close()

    def complain(self) -> int:
        """Say what was refused; return the exit code: 1 where more readings were refused than judged, or none judged."""
        for name, refusals in self.refused.items():
            for sentence in refusals.sentences(name):
                complain(sentence)
        rows = None if self.readings is None else self.refused.get(str(self.readings.path))
        if self.readings is None or rows is None or rows.taken > rows.total:
            return DONE
        judged = f"{rows.taken} of {rows.taken + rows.total} rows" if rows.taken else "nothing"
        complain(f"{self.readings.path}: {judged} could be judged, so what is said, or not said, is worth little")
        return NOT_WELL

    def _spanned(self, stream: Iterable[T]) -> Iterator[T]:
        if not self._spanning:
            yield from stream
            return
        at = None
        for thing in stream:
            at = thing[0] if isinstance(thing, tuple) else thing.time
            if self.first is None:
                self.first = at
            yield thing
        self.last = at if at is not None else self.last


def _file_pace(file: ReadingsFile, settings: Settings) -> int | None:
    """Return the file's own interval, and say so, when it is far slower than the configured one."""
    if file.was_sorted:
        complain(f"{file.path}: its rows are in no order of time; they were sorted first")
    interval = file.usual_interval(settings.probes)
    # Up to half as slow again no poll seems missing; a coarser file would look like polls that fail all along.
    if interval is None or interval <= settings.poll_seconds * 3 // 2:
        return None
    complain(f"{file.path}: readings are {interval} s apart; judged at that pace instead of {settings.poll_seconds} s")
    return interval


def what_if(args: Arguments) -> int:
    """Write one JSON line per event to standard output, or with `--compare` what differs; return the exit code."""
    config = load(args.config, ReplayConfig)
    settings = judge_settings(config, 0)
    source, code = None, DONE
    try:
        source = Source(args, config, settings)
        if args.compare is not None:
            _compare(args, source, None if args.as_it_was else settings, Wording.of(config.site))
        else:
            for event in source.events(None if args.as_it_was else settings):
                if event.event in TOLD:
                    say(as_json(told(event)))
        code = source.complain()
    # Not this file's trouble: nobody reads on, or the other configuration is wrong.
    except (BrokenPipeError, ConfigError):
        raise
    except OSError as error:
        if source is not None:
            source.complain()
        complain(f"not judged to the end: {plain_error(error)}")
        return NOT_WELL
    finally:
        if source is not None:
            source.close()
        sys.stdout.flush()
    return code


def _compare(args: Arguments, source: Source, settings: Settings | None, wording: Wording) -> None:
    other = judge_settings(load(args.compare, ReplayConfig), 0)
    here = excursions(source.events(settings))
    there = excursions(source.events(other))
    differences = compare(here, there)
    weeks = source.weeks
    if args.format == "json":
        span = [format_time(at) for at in (source.first or 0, source.last)]
        emit_json(
            {
                "from": span[0], "until": span[1], "weeks": round(weeks, 2),
                "enclosures": [_plain(difference, weeks) for difference in differences],
            }
        )  # fmt: skip
        return
    tubs = len(settings.enclosures if settings is not None else other.enclosures)
    days = duration(source.last - (source.first or source.last))
    say(f"{days} of readings, {tubs} enclosure{'' if tubs == 1 else 's'}. This: {_rate(len(here), tubs, weeks)}.")
    say(f"{args.compare.name}: {_rate(len(there), tubs, weeks)}.")
    changed = [difference for difference in differences if not difference.same]
    if not changed:
        say("Both would have told the same at the same times.")
        return
    say()
    emit(
        args,
        [_row(difference, weeks) for difference in changed],
        {
            "enclosure": "enclosure", "here": "alarms", "there": "with the other", "here_per_week": "a week",
            "there_per_week": "with the other", "gone": "disappear", "new": "appear", "milder": "milder",
            "graver": "graver", "told": "the other tells it",
        },
    )  # fmt: skip
    _list("disappear", [a for d in changed for a in d.disappeared], wording)
    _list("appear", [a for d in changed for a in d.appeared], wording)
    alike = [difference.enclosure for difference in differences if difference.same]
    if alike:
        say()
        say(f"The same in: {', '.join(alike)}")


def _rate(alarms: int, tubs: int, weeks: float) -> str:
    return f"{alarms} alarm{'' if alarms == 1 else 's'}, {alarms / weeks / max(1, tubs):.2f} per enclosure and week"


def _row(difference: Difference, weeks: float) -> dict[str, object]:
    return {
        "enclosure": difference.enclosure or "all of it",
        "here": difference.here,
        "there": difference.there,
        "here_per_week": f"{difference.here / weeks:.2f}",
        "there_per_week": f"{difference.there / weeks:.2f}",
        "gone": len(difference.disappeared) or "",
        "new": len(difference.appeared) or "",
        "milder": difference.milder or "",
        "graver": difference.graver or "",
        "told": _earlier(difference.earlier_seconds),
    }


def _earlier(seconds: Sequence[int]) -> str:
    """Say by how much the other one warns earlier or later: the middle, and the farthest."""
    if not any(seconds):
        return "at the same time" if seconds else ""
    counts = Counter("earlier" if s > 0 else "later" if s < 0 else "at the same time" for s in seconds)
    moved = [s for s in seconds if s]
    middle, most = round(median(moved)), max(moved, key=abs)
    how = f"{duration(abs(middle))} {'earlier' if middle > 0 else 'later'}"
    if most != middle:
        how += f", at most {duration(abs(most))} {'earlier' if most > 0 else 'later'}"
    return how if len(moved) == len(seconds) else f"{how} ({counts['at the same time']} at the same time)"


def _list(word: str, alarms: Sequence[Excursion], wording: Wording) -> None:
    if not alarms:
        return
    say()
    say(f"{word}:")
    for alarm in sorted(alarms, key=lambda alarm: alarm.raised)[:_LISTED]:
        end = "still standing" if alarm.cleared is None else duration(alarm.cleared - alarm.raised)
        band = f" beyond {alarm.band}" if alarm.band else ""
        say(f"  {wording.stamp(alarm.raised)}  {alarm.place}  {alarm.kind}{band}, {alarm.priority}, {end}")
    if len(alarms) > _LISTED:
        say(f"  and {len(alarms) - _LISTED} more: --format json lists them all")


def _plain(difference: Difference, weeks: float) -> dict[str, Any]:
    early = difference.earlier_seconds
    return {
        "enclosure": difference.enclosure or None,
        "here": difference.here,
        "there": difference.there,
        "here_per_week": round(difference.here / weeks, 3),
        "there_per_week": round(difference.there / weeks, 3),
        "earlier_seconds": {"median": median(early), "least": min(early), "most": max(early)} if early else None,
        "milder": difference.milder,
        "graver": difference.graver,
        "disappears": [_told_of(alarm) for alarm in difference.disappeared],
        "appears": [_told_of(alarm) for alarm in difference.appeared],
    }


def _told_of(alarm: Excursion) -> dict[str, object]:
    return {
        "kind": alarm.kind,
        "band": alarm.band,
        "priority": alarm.priority,
        "since": format_time(alarm.since),
        "raised": format_time(alarm.raised),
        "cleared": None if alarm.cleared is None else format_time(alarm.cleared),
    }
