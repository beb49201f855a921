"""What `dewkeeper insight` does: the questions are answered one by one, each with only what it may know."""

from __future__ import annotations

import json
from collections.abc import Iterator
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dewkeeper.cli.output import BAD_USE, DONE, NOT_WELL, Arguments, as_json, complain, plain_error, say
from dewkeeper.judge import Judge
from dewkeeper.judge.types import NOT_EVALUATED, PASS, JournalEntry, Reading, Settings
from dewkeeper.report.readings_file import ReadingsFile, Refusals, read_journal
from dewkeeper.service.settings import judge_settings
from dewkeeper_config.loading import ReplayConfig, load

if TYPE_CHECKING:
    from dewkeeper.insight.answers import Evidence

# A question takes a few hundred bytes; the bound keeps a file that is none, in one endless line, out of memory.
_LONGEST_LINE = 65536


def insight(args: Arguments) -> int:
    """Answer the questions; exit 1 when one could not be read or something was missing."""
    try:
        from dewkeeper.insight.answers import QuestionRefused, answer, withheld
    except ModuleNotFoundError as error:
        complain(f"{error.name} is not installed; insight needs it, nothing else does: pip install {error.name}")
        return NOT_WELL
    settings = judge_settings(load(args.config, ReplayConfig), 0)
    try:
        questions = list(_questions(args.ask))
        evidence = _gather(args, settings)
    except OSError as error:
        complain(plain_error(error))
        return BAD_USE
    code = DONE
    for line, question in questions:
        try:
            told = answer(question, evidence)
        except QuestionRefused as error:
            complain(f"{args.ask}: line {line}: {error}")
            told = {"id": question.get("id"), **withheld(str(error))}
            code = NOT_WELL
        say(as_json(told))
    return code


def _questions(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield every question with its line; of a line that is none, an empty one, which is refused like any other."""
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        number = 0
        while line := file.readline(_LONGEST_LINE):
            number += 1
            rest = line
            while len(rest) == _LONGEST_LINE and not rest.endswith("\n"):
                # Read on to its end, so that the lines after it keep their numbers; "too long" is no JSON.
                line, rest = "too long", file.readline(_LONGEST_LINE)
            if not line.strip():
                continue
            try:
                # Python's reader takes NaN, Infinity and 1e999, which no sum survives.
                question = json.loads(line, parse_constant=_number, parse_float=_number)
            except (ValueError, RecursionError):
                question = {}
            yield number, question if isinstance(question, dict) else {}


def _number(text: str) -> float:
    """Return a number of JSON, which has none that is not finite. Raises ValueError."""
    value = float(text)
    if not isfinite(value):
        raise ValueError(f"{text} is no number of JSON")
    return value


def _gather(args: Arguments, settings: Settings) -> Evidence:
    """Read the files once, through the judge: what it does not believe is no evidence. Raises OSError."""
    from dewkeeper.insight.answers import Disbelief, Evidence
    from dewkeeper.insight.pupil import deeds_of, judged_probes, room_probes
    from dewkeeper.insight.series import Gathering

    refusals = {str(args.readings): Refusals()}
    journal: list[JournalEntry] = []
    if args.journal is not None:
        refusals[str(args.journal)] = Refusals()
        journal = read_journal(args.journal, settings.enclosures, refusals[str(args.journal)])
    readings = ReadingsFile(args.readings)
    judge = Judge()
    judge.feed(settings)
    gathered = {probe: Gathering() for probe in settings.probes}
    disbeliefs: list[Disbelief] = []
    waiting = iter(journal)
    entry = next(waiting, None)
    try:
        for at, probe, temperature_c, humidity_percent in readings.rows(settings.probes, refusals[str(args.readings)]):
            # What was done in the second of a reading comes before it, as in a replay.
            while entry is not None and entry.time <= at:
                judge.feed(entry)
                entry = next(waiting, None)
            verdict = judge.feed(Reading(at, probe, temperature_c, humidity_percent))
            disbeliefs += [Disbelief(e.probe, e.since, e.until, at) for e in verdict.exclusions]
            believed = all(quality.flag in (PASS, NOT_EVALUATED) for quality in verdict.quality)
            # A fault found late takes earlier readings away again: that is what `disbeliefs` is for.
            if believed and temperature_c is not None and humidity_percent is not None:
                gathered[probe].add(at, temperature_c, humidity_percent)
    finally:
        readings.close()
    for name, refused in refusals.items():
        for sentence in refused.sentences(name):
            complain(sentence)
    deeds = deeds_of(settings.enclosures, journal)
    return Evidence(gathered, judged_probes(settings), room_probes(settings), deeds, disbeliefs)
