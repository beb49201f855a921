"""F44: four faults at once, in three phases: a multiplexer that refuses a channel, a clock an hour back, a full disk,
and a phone's server that never answers."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.campaign.phases import HEALTHY, OPEN, PHASES, POLL, SLACK_SECONDS, TOLD_SECONDS, Outcome
from tests.campaign.rack_process import CHANNEL, PLACES, SPEED, whose
from tests.campaign.rig import POLL_SECONDS
from tests.campaign.ways import SEND_SECONDS, WaysRun
from tests.servers.receiver import Answer

STRUCK = PLACES[CHANNEL]
STEP = -3600
LASTS = 900
CALM_SECONDS = 2100 / SPEED + 2 * SLACK_SECONDS
"""An excursion that has just begun is over for the judge when the air has been right for half an hour."""


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """Mount a file system of 4 MiB there."""
    folder.mkdir(parents=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def _strike(run: WaysRun, outcome: Outcome) -> None:
    run.phone.usual = Answer(manner="silent")
    run.control(wait=outcome.phase != "at start", fault="f02", step=STEP, dry=_dry(outcome))
    with contextlib.suppress(OSError), (run.state / "filler").open("wb", buffering=0) as filler:
        while filler.write(b"x" * 4096):
            pass


def _mend(run: WaysRun, outcome: Outcome) -> None:
    run.phone.usual = Answer()
    (run.state / "filler").unlink()
    run.control(dry=[OPEN] if outcome.phase == "open alarm" else [])


def _dry(outcome: Outcome) -> list[str]:
    return [HEALTHY[outcome.phase], *([OPEN] if outcome.phase == "open alarm" else [])]


def _not_good(run: WaysRun, step: int, *besides: str) -> list[str]:
    now = run.now() + step
    try:
        newest = run.latest()
    except OSError:  # a disk that was full from the start holds no table yet
        return list(PLACES)
    return [
        p for p in PLACES
        if p not in besides
        and (p not in newest or newest[p].reading.temperature_c is None or now - newest[p].reading.time > 3 * POLL_SECONDS)
    ]  # fmt: skip


def _phase(run: WaysRun, outcome: Outcome) -> None:
    healthy, lives = HEALTHY[outcome.phase], len(run.supervisor.lives)
    if outcome.phase != "at start":
        run.wait_for(lambda: not _not_good(run, 0), 3 * POLL + SLACK_SECONDS, "a good start of the phase")
    if outcome.phase == "open alarm":
        run.control(dry=[OPEN])
        run.wait_for(lambda: bool(run.told(OPEN)), TOLD_SECONDS + SLACK_SECONDS, f"{OPEN}'s message")
    if outcome.phase != "at start":
        _strike(run, outcome)
    began = run.now()
    outcome.told_seconds = run.wait_for(
        lambda: any(one.channel == "second" for one in run.told(healthy)),
        TOLD_SECONDS + 180 / SPEED + 2 * SEND_SECONDS + SLACK_SECONDS, f"{healthy}'s message over the second channel",
    )  # fmt: skip
    run.wait_for(lambda: run.now() - began > LASTS, LASTS / SPEED + 5, "the faults to last")
    outcome.answered_seconds = run.answers_within_seconds()
    outcome.demand(outcome.answered_seconds < 2.0, f"answered after {outcome.answered_seconds:.1f} s")
    _mend(run, outcome)
    outcome.recovered_seconds = run.wait_for(
        lambda: not _not_good(run, 0), 3 * POLL + SLACK_SECONDS, "every probe to be read again"
    )
    standing = [alarm for alarm in run.standing() if alarm.enclosure == OPEN and alarm.kind == "dry"]
    outcome.demand(bool(standing) == (outcome.phase == "open alarm"), f"{OPEN}'s alarm after the faults: {standing}")
    run.control(dry=[])
    try:
        run.wait_for(lambda: not run.standing() and not run.waiting(), CALM_SECONDS, "calm")
    except TimeoutError as error:
        left = [(a.kind, a.enclosure, a.cause) for a in run.standing()]
        outcome.problems.append(f"{error}: {left} {run.waiting()[:3]}")
    raised = [one for one in run.told(healthy) if one.type == "dry.raised"]
    outcome.demand(len({one.alarm for one in raised}) == 1, f"{healthy}'s excursion was told as {raised}")
    outcome.demand(
        outcome.phase == "at start"
        or any("Not recorded" in line for one in raised for line in (one.body or {})["lines"]),
        "it does not say that it was not recorded",
    )
    outcome.demand(len(run.supervisor.lives) == lives, f"{len(run.supervisor.lives) - lives} restarts")


def campaign(folder: Path) -> dict[str, Outcome]:
    """Run all three phases in one life of the daemon; returns the outcomes by phase."""
    outcomes = {phase: Outcome(phase) for phase in PHASES}
    with WaysRun(folder, {"Ina": ["phone", "second"]}) as run, small_disk(run.state):
        first = outcomes[PHASES[0]]
        _strike(run, first)
        supervisor = run.start()
        try:
            before = None
            for phase, outcome in outcomes.items():
                if phase == PHASES[0]:
                    run.wait_for(lambda: supervisor.alive and supervisor.life.ready is not None, 30.0, "the start")
                try:
                    _phase(run, outcome)
                    usage = run.usage()
                except (TimeoutError, OSError) as error:
                    outcome.problems.append(str(error))
                    break
                before = before or usage
                outcome.demand(
                    usage.descriptors <= before.descriptors + 3 and usage.threads <= before.threads + 3
                    and usage.resident_bytes < before.resident_bytes + 25e6,
                    f"{before} → {usage}",
                )  # fmt: skip
        finally:
            life = supervisor.stop()
        last = outcomes[PHASES[-1]]
        last.demand(life.exit_code == 0, f"ended with exit code {life.exit_code}")
        last.demand(run.database_is_sound() == "ok", f"database: {run.database_is_sound()}")
        last.problems += _losses(run)
    return outcomes


def _losses(run: WaysRun) -> list[str]:
    """Return what is wrong with the stored samples: every conversion of a probe has one row, its own, in order."""
    numbers: dict[str, list[int]] = {place: [] for place in PLACES}
    for reading in run.readings():
        if reading.temperature_word is not None:
            numbers[PLACES[whose(reading.humidity_word or 0)]].append(reading.temperature_word)
            assert PLACES[whose(reading.humidity_word or 0)] == reading.probe
    return [
        f"{place}: {len(found)} samples, {found[:1]} to {found[-1:]}"
        for place, found in numbers.items()
        if not found or found != list(range(found[0], found[0] + len(found)))
    ]


@pytest.mark.root
def test_four_faults_at_once_break_no_invariant(
    tmp_path: Path, campaign_row: Callable[[tuple[str, ...]], None]
) -> None:
    """An excursion is told in time over the second channel, no sample is lost, the daemon answers, all recovers by itself."""
    if os.geteuid() != 0:
        pytest.skip("needs root: mounts a small file system")
    outcomes = campaign(tmp_path / "run")
    for outcome in outcomes.values():
        campaign_row(outcome.row("F44"))
    assert not [(outcome.phase, outcome.problems) for outcome in outcomes.values() if outcome.problems]
