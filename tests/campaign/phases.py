"""One fault, three times: at start, in steady state, during an open alarm; and what must hold each time.

(L) nothing committed is lost, every poll has its row; (A) a scripted excursion is told in time, under one id;
(H) the daemon answers and feeds its watchdog; (R) after the fault all is normal within two polls, by itself; and
descriptors, threads and memory do not grow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.campaign.rack_process import PLACES, SPEED, whose
from tests.campaign.rig import ON_DELAY_MINUTES, POLL_SECONDS, WALL, WATCHDOG_SECONDS, Run, Usage

from dewkeeper.judge.types import Event
from dewkeeper.judge.words import EXCURSIONS
from dewkeeper.sampling.stuck import PATIENCE_SECONDS

POLL = POLL_SECONDS / SPEED
TOLD_SECONDS = (ON_DELAY_MINUTES * 60 + POLL_SECONDS + 120) / SPEED
CLEARED_SECONDS = (300 + 4 * POLL_SECONDS) / SPEED
SLACK_SECONDS = 4.0
"""What the machine may take on top, seconds of the pace."""

PHASES = ("at start", "steady", "open alarm")
HEALTHY = dict(zip(PHASES, ("G0", "G1", "G2"), strict=True))
"""Enclosures on a bus which no fault touches: the excursion of each phase's must be told in time, always."""

RESTARTED_SECONDS = (PATIENCE_SECONDS + 60) / SPEED + WATCHDOG_SECONDS + 6.0
"""Seconds from a call that does not return to the process's next life being ready."""

LONGEST_GAP_SECONDS = WATCHDOG_SECONDS * SPEED + 6 * SPEED + 2 * POLL_SECONDS
"""Without rows, where the process is restarted: the watchdog's patience, six seconds to end and start, two polls."""

OPEN = "E1"
"""The enclosure whose alarm stands during the third phase."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One row of the campaign.

    control: what the control file says while it lasts. struck: enclosures without good readings meanwhile.
    kind, within: the fault's alarm and the simulated seconds it may take to be raised; once and only once.
    kind_at_start: whether starting does not cure it. strange: enclosures whose samples the fault changes.
    lasts: simulated seconds it lasts at least. restarts: fewest and most deaths of the process in a phase.
    says: what the alarm's cause must name. marks: the readings from the alarm on carry its kind and do not count.
    exchanged: samples of another probe may stand in the places' history, if they do not count.
    answered: least share of polls with values, of the probes struck.
    """

    name: str
    about: str
    control: dict[str, Any]
    struck: tuple[str, ...] = ()
    kind: str | None = None
    kinds_in: tuple[str, ...] = ()
    within: float = 0.0
    frozen_word: int | None = None
    lasts: float = 0.0
    restarts: tuple[int, int] = (0, 0)
    says: str = ""
    marks: bool = False
    exchanged: bool = False
    answered: float = 0.0
    flicker: bool = False
    kind_at_start: bool = True
    strange: tuple[str, ...] = ()


@dataclass
class Outcome:
    """What one phase came to. `problems` is empty when everything held."""

    phase: str
    problems: list[str] = field(default_factory=list)
    told_seconds: float = 0.0
    recovered_seconds: float = 0.0
    answered_seconds: float = 0.0

    def demand(self, holds: bool, otherwise: str) -> None:
        """Note a problem unless something holds."""
        if not holds:
            self.problems.append(otherwise)

    def demand_flat(self, first: Usage, usage: Usage, abandoned: int = 0) -> None:
        """Demand that nothing grew since a first look. abandoned: threads that may be given up on purpose."""
        self.demand(
            usage.descriptors <= first.descriptors + 3 and usage.threads <= first.threads + 3 + abandoned,
            f"descriptors {first.descriptors} → {usage.descriptors}, threads {first.threads} → {usage.threads}",
        )
        self.demand(
            usage.resident_bytes < first.resident_bytes + 25e6,
            f"resident memory grew by {(usage.resident_bytes - first.resident_bytes) / 1e6:.0f} MB",
        )

    def demand_good_end(self, run: Run) -> None:
        """Stop the daemon and demand that it ends in good order and leaves a sound database."""
        life = run.supervisor.stop()
        self.demand(life.exit_code == 0, f"ended with exit code {life.exit_code}")
        self.demand(run.database_is_sound() == "ok", f"database: {run.database_is_sound()}")

    def row(self, fault: str) -> tuple[str, ...]:
        """Return its row of the campaign's table."""
        return (
            fault, self.phase, f"{self.told_seconds:.1f}", f"{self.recovered_seconds:.1f}",
            f"{self.answered_seconds:.2f}", "; ".join(self.problems) or "held",
        )  # fmt: skip


def campaign(fault: Fault, folder: Path, seam: str) -> dict[str, Outcome]:
    """Run all three phases in one life of the daemon, over a seam (`Run`); returns the outcomes by phase."""
    outcomes = {phase: Outcome(phase) for phase in PHASES}
    with Run(folder, seam) as run:
        run.control(wait=False, **fault.control, dry=[HEALTHY["at start"]])
        supervisor = run.start()
        first: Usage | None = None
        for phase, outcome in outcomes.items():
            try:
                if phase == "at start":
                    run.wait_for(lambda: supervisor.alive and supervisor.life.ready is not None, 20.0, "the start")
                else:
                    run.wait_for(lambda: _all_good(run, PLACES), 10.0, "a good start of the phase")
                _phase(fault, run, outcome, open_alarm=phase == "open alarm")
                usage = run.usage()  # raises where the process has just ended: then the phase says so
                first = first or usage
                outcome.demand_flat(first, usage)
            except (TimeoutError, OSError) as error:
                outcome.problems.append(str(error))
        last = outcomes[PHASES[-1]]
        last.demand_good_end(run)
        last.problems += _losses(run, fault)
    return outcomes


def _phase(fault: Fault, run: Run, outcome: Outcome, *, open_alarm: bool) -> None:
    lives = len(run.supervisor.lives)
    healthy = HEALTHY[outcome.phase]
    dry = {healthy}
    standing: str | None = None
    if open_alarm:
        dry.add(OPEN)
        run.control(dry=[OPEN])
        run.wait_for(lambda: _alarm(run, "dry", OPEN) is not None, TOLD_SECONDS + SLACK_SECONDS, "the open alarm")
        standing = _alarm(run, "dry", OPEN)
    others = [place for place in PLACES if place not in fault.struck]
    seen = _numbers(run, fault)
    began = run.pace.seconds()
    fault_began = run.now() if outcome.phase != "at start" else WALL
    if outcome.phase != "at start":
        run.control(**fault.control, dry=sorted(dry))
    outcome.told_seconds = run.wait_for(
        lambda: bool(run.messages("dry", healthy)), TOLD_SECONDS + SLACK_SECONDS, f"{healthy}'s message"
    )
    if fault.flicker:
        for _ in range(25):
            for control in ({}, fault.control):
                run.control(**control, dry=sorted(dry))
    if fault.kind is not None and (fault.kind_at_start or outcome.phase != "at start"):
        left = fault.within / SPEED + SLACK_SECONDS - (run.pace.seconds() - began)
        for place in fault.kinds_in:
            run.wait_for(
                lambda place=place: _raised(run, fault.kind, place, fault_began) > 0,  # type: ignore[misc]
                max(1.0, left), f"{fault.kind} of {place}",
            )  # fmt: skip
        _told_well(fault, run, outcome, fault_began)
    run.wait_for(lambda: run.now() - fault_began > fault.lasts, fault.lasts / SPEED + 5, "the fault to last")
    fewest, most = fault.restarts
    if fewest:
        run.wait_for(
            lambda: len(run.supervisor.lives) - lives >= fewest and run.supervisor.life.ready is not None,
            RESTARTED_SECONDS, f"{fewest} restarts",
        )  # fmt: skip
        run.wait_for(lambda: _all_good(run, others), 2 * POLL + SLACK_SECONDS, "the others to be read in the new life")
    outcome.answered_seconds = max(run.answers_within_seconds(), run.page_answers_within_seconds())
    outcome.demand(outcome.answered_seconds < 2.0, f"answered after {outcome.answered_seconds:.1f} s")
    if fault.answered:
        polls = [one for place in fault.struck for one in run.judged(place, fault_began)]
        share = sum(one.reading.temperature_c is not None for one in polls) / len(polls)
        outcome.demand(share >= fault.answered, f"{share:.1%} of polls answered, {fault.answered:.0%} wanted")
    if standing is not None:
        outcome.demand(_alarm(run, "dry", OPEN) == standing, "the open alarm did not stand through the fault")
    outcome.demand(_all_good(run, others), f"not read during the fault: {_not_good(run, others)}")
    run.control(dry=[OPEN] if open_alarm else [])
    outcome.recovered_seconds = run.wait_for(
        lambda: _all_good(run, PLACES), 3 * POLL + SLACK_SECONDS, "every probe to be read again"
    )
    if standing is not None:
        outcome.demand(_alarm(run, "dry", OPEN) == standing, "the open alarm did not survive the fault's end")
    try:
        run.wait_for(lambda: not _faults(run), CLEARED_SECONDS + SLACK_SECONDS, "the fault's alarms to clear")
    except TimeoutError as error:
        outcome.problems.append(f"{error}: {sorted(_faults(run))}")
    outcome.demand(len(run.supervisor.lives) - lives <= most, f"{len(run.supervisor.lives) - lives} restarts")
    for place in fault.kinds_in:
        times = _raised(run, fault.kind, place, fault_began)
        outcome.demand(times <= 1, f"{fault.kind} of {place} was raised {times} times")
    alarms = {body["alarm"] for body in run.messages("dry", healthy)}
    outcome.demand(len(alarms) == 1, f"{healthy}'s excursion was told under {len(alarms)} ids")
    now_there = _numbers(run, fault)
    for (probe, number), at in seen.items():
        if now_there.get((probe, number)) != at:
            outcome.problems.append(f"{probe}'s sample {number} was in the database and is gone")
            break


def _told_well(fault: Fault, run: Run, outcome: Outcome, since: float) -> None:
    """Demand that the fault's alarms name what is broken, and that nothing read since then counts."""
    for place in fault.kinds_in:
        event = next(e for e in run.events(since) if _is_raise(e, fault.kind, place))
        outcome.demand(fault.says in event.cause, f"{fault.kind} of {place} says {event.cause!r}, not {fault.says!r}")
        if fault.marks:
            over = next((e.time for e in run.events(since) if e.alarm == event.alarm and e.event == "cleared"), 1 << 40)
            rows = [
                one
                for one in run.judged(place, event.time)
                if one.reading.temperature_c is not None and one.reading.time < over
            ]
            plain = [one.reading.time for one in rows if one.quality.counts or fault.kind not in one.quality.tests]
            outcome.demand(bool(rows) and not plain, f"{place}: {len(plain)} of {len(rows)} samples are not marked")


def _is_raise(event: Event, kind: str | None, place: str) -> bool:
    members = str(event.detail.get("members", "")).split(", ")
    return event.event == "raised" and event.kind == kind and (event.enclosure == place or place in members)


def _alarms(run: Run) -> dict[tuple[str, str | None], str]:
    return {(a.kind, a.enclosure): a.alarm for a in run.standing()}


def _raised(run: Run, kind: str | None, place: str, since: float) -> int:
    """Return how often an alarm of this kind was raised since then, for the enclosure or for a branch it hangs on."""
    return sum(_is_raise(event, kind, place) for event in run.events(since))


def _faults(run: Run) -> set[tuple[str, str | None]]:
    """Return the standing alarms other than excursions, and brown-outs, which are over only after a quiet hour."""
    return {(kind, place) for kind, place in _alarms(run) if kind not in EXCURSIONS and kind != "brownout"}


def _alarm(run: Run, kind: str, place: str) -> str | None:
    return _alarms(run).get((kind, place))


def _not_good(run: Run, places: tuple[str, ...] | list[str]) -> list[str]:
    newest = run.latest()
    now = run.now()
    return [
        place
        for place in places
        if place not in newest
        or newest[place].reading.temperature_c is None
        or now - newest[place].reading.time > 3 * POLL_SECONDS
    ]


def _all_good(run: Run, places: tuple[str, ...] | list[str]) -> bool:
    return not _not_good(run, places)


def _numbers(run: Run, fault: Fault) -> dict[tuple[str, int], int]:
    """Return (probe, number of the sample) -> when, of all samples in the database."""
    return {
        (r.probe, r.temperature_word): r.time
        for r in run.readings()
        if r.temperature_word is not None and r.temperature_word != fault.frozen_word
    }


def _losses(run: Run, fault: Fault) -> list[str]:
    """Return what is wrong with the stored samples: mixed, out of order, a poll without a row."""
    problems = []
    longest = 2 * POLL_SECONDS + 10 if fault.restarts == (0, 0) else LONGEST_GAP_SECONDS
    for place in (p for p in PLACES if p not in fault.strange):
        judged = run.judged(place)
        rows = [one.reading for one in judged]
        own = [one.reading for one in judged if one.quality.counts] if fault.exchanged else rows
        good = [r for r in own if r.temperature_word is not None]
        foreign = [r for r in good if r.humidity_word != 65535 and PLACES[whose(r.humidity_word or 0)] != place]
        if foreign:
            problems.append(f"{place}: {len(foreign)} samples are not its own, first at {foreign[0].time}")
        numbers = [r.temperature_word or 0 for r in good if r.temperature_word != fault.frozen_word]
        if any(b <= a for a, b in pairwise(numbers)):
            problems.append(f"{place}: samples out of order or doubled")
        gaps = [b.time - a.time for a, b in pairwise(rows)]
        if gaps and max(gaps) > longest:
            problems.append(f"{place}: no row for {max(gaps)} s")
        if rows and rows[0].time < WALL:
            problems.append(f"{place}: a row before the run began")
    return problems
