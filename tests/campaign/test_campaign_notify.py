"""Faults of the ways to people, F31 to F41: the real daemon under a supervisor, each fault in three phases of its life.

Time runs sixty times as fast, so what takes hours (F36, F41) is shortened here and has its full length, by a clock moved
by hand, in tests/notify and tests/daemon.
"""

from __future__ import annotations

import faulthandler
import os
import time
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from tests.campaign.phases import HEALTHY, OPEN, PHASES, SLACK_SECONDS, TOLD_SECONDS, Outcome
from tests.campaign.rack_process import PLACES, SPEED
from tests.campaign.rig import POLL_SECONDS
from tests.campaign.ways import SEND_SECONDS, Arrived, WaysRun, may_name
from tests.servers.mail import Refusal
from tests.servers.receiver import Answer

AT_ONCE = 4
STAND_IN_SECONDS = 180 / SPEED
CALM_SECONDS = 2100 / SPEED + 2 * SLACK_SECONDS
"""An excursion is over for the judge when the air has been right for half an hour."""
BOTH: Mapping[str, Sequence[str]] = {"Ina": ["phone", "second"]}
ALONE: Mapping[str, Sequence[str]] = {"Ina": ["phone"]}
STORM = ("G0", "G1", "G2", "F0", "E5")
"""Enclosures of five rooms: five messages, no group."""


@dataclass(frozen=True)
class Fault:
    """One row of the campaign.

    strike, mend: what is done to the servers, in turn if there are several strikes. control: what the control file says
    meanwhile. told_over: channel over which the excursion must be told while the fault lasts; None: only afterwards.
    lasts: simulated seconds it lasts at least. after: simulated seconds after its end by which everything is delivered.
    doubles: whether a lost reply may double a message. complains: whether people must hear of the broken channel.
    abandoned: sends that may outlive their deadline. storm: whether five alarms pile up, to be told as one digest.
    """

    name: str
    about: str
    people: Mapping[str, Sequence[str]]
    strike: Callable[[WaysRun], None]
    mend: Callable[[WaysRun], None]
    told_over: str | None = None
    lasts: float = 300
    after: float = 420
    control: dict[str, Any] = field(default_factory=dict)
    doubles: bool = False
    complains: bool = False
    abandoned: int = 0
    restarts: int = 0
    named: bool = False
    storm: bool = False
    most_logins: int | None = None
    stall: Callable[[WaysRun], None] | None = None


def _answer(answer: Answer) -> Callable[[WaysRun], None]:
    return lambda run: setattr(run.phone, "usual", answer)


def _certificate(flaw: Any) -> Callable[[WaysRun], None]:
    return lambda run: setattr(run.phone, "choose_context", lambda: run.authority.context(flaw))


def _mail(refusal: Refusal | None) -> Callable[[WaysRun], None]:
    return lambda run: setattr(run.mail, "usual", refusal)


def _look_up(manner: Any) -> Callable[[WaysRun], None]:
    return lambda run: setattr(run, "lookup", manner)


def _nothing(run: WaysRun) -> None:
    """The control file does it."""


def _unplug(run: WaysRun) -> None:
    run.phone.refuse()
    run.beats.refuse()


def _stalling_proxy(run: WaysRun) -> None:
    run.phone.usual = run.beats.usual = Answer(manner="silent")
    run.phone.listen()
    run.beats.listen()


def _plug(run: WaysRun) -> None:
    run.phone.usual = run.beats.usual = GOOD


def _redirect(run: WaysRun) -> None:
    run.phone.usual = Answer(301, headers={"Location": run.second.url + "/behind"})


GOOD = Answer()
TRICKLE = Answer(200, "trickle", pause_seconds=1.0)
CENTURIES = Answer(429, headers={"Retry-After": "9999999999"})

FAULTS = (
    *(
        Fault(f"F31 {part}", f"{part} freezes", ALONE, _nothing, _nothing, "phone", control={"freeze": part}, restarts=1)
        for part in ("sampler", "writer", "dispatcher")
    ),
    Fault(
        "F32", "the name server never answers", BOTH, _look_up("stall"), _look_up("answer"), "second", named=True,
        abandoned=5, after=900,
    ),
    Fault("F33", "the server accepts and never replies", BOTH, _answer(Answer(manner="silent")), _answer(GOOD), "second"),
    Fault("F34", "the reply trickles, a byte a second", BOTH, _answer(TRICKLE), _answer(GOOD), "second", doubles=True),
    Fault("F35", "the certificate is not yet valid", ALONE, _certificate("not_yet_valid"), _certificate("")),
    Fault(
        "F36", "the mail server says 454 at the login, then 421", {"Ina": ["mail"]},
        _mail(Refusal("login", "454 4.7.0 try later")), _mail(None), lasts=1500, after=600, most_logins=16,
        stall=_mail(Refusal("recipient", "421 4.3.0 closing")),
    ),
    Fault(
        "F37", "the mail server refuses the login for good", {"Ina": ["mail", "phone"]},
        _mail(Refusal("login", "535 5.7.8 wrong")), _mail(None), "phone", after=1200, complains=True,
    ),
    Fault(
        "F38", "429 with a wish of centuries", {"Ina": ["phone"], "Ode": ["second"]}, _answer(CENTURIES), _answer(GOOD),
        "second", after=1200,
    ),
    Fault("F39", "the reply is lost after acceptance", ALONE, _answer(Answer(manner="reset_after")), _answer(GOOD), "phone", doubles=True),
    Fault("F40", "a redirect to where a 200 waits", BOTH, _redirect, _answer(GOOD), "second", after=1200, complains=True),
    Fault(
        "F41", "the link is down, then a proxy stalls", ALONE, _unplug, _plug, lasts=1300, after=600, storm=True,
        stall=_stalling_proxy,
    ),
)  # fmt: skip


@pytest.fixture(scope="session")
def ways_runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Outcome]]:
    """Return the outcomes of all runs by fault and phase; takes some minutes."""
    faulthandler.cancel_dump_traceback_later()  # it watches single tests; this is all of them
    wanted = os.environ.get("CAMPAIGN", "").split() or [fault.name.split()[0] for fault in FAULTS]
    folder = tmp_path_factory.mktemp("ways")
    chosen = [f for f in FAULTS if f.name.split()[0] in wanted and (not f.named or may_name())]
    chosen.sort(key=lambda fault: -fault.lasts)
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="campaign") as pool:
        begun = {f.name: pool.submit(campaign, f, folder / f.name.replace(" ", "-")) for f in chosen}
        return {name: future.result() for name, future in begun.items()}


def campaign(fault: Fault, folder: Path) -> dict[str, Outcome]:
    """Run all three phases in one life of the daemon; returns the outcomes by phase."""
    outcomes = {phase: Outcome(phase) for phase in PHASES}
    with WaysRun(folder, fault.people, named=fault.named) as run:
        fault.strike(run)
        run.control(wait=False, **fault.control, dry=_dry(fault, "at start"))
        supervisor = run.start()
        first = None
        for phase, outcome in outcomes.items():
            try:
                if phase == "at start":
                    run.wait_for(lambda: supervisor.alive and supervisor.life.ready is not None, 30.0, "the start")
                _phase(fault, run, outcome)
                usage = run.usage()  # raises where the process has just ended: then the phase says so
                first = first or usage
                outcome.demand_flat(first, usage, fault.abandoned)
            except (TimeoutError, OSError) as error:
                outcome.problems.append(str(error))
                fault.mend(run)
        outcomes[PHASES[-1]].demand_good_end(run)
    return outcomes


def _dry(fault: Fault, phase: str) -> list[str]:
    struck = list(STORM) if fault.storm else [HEALTHY[phase]]
    return [*struck, OPEN] if phase == "open alarm" else struck


def _phase(fault: Fault, run: WaysRun, outcome: Outcome) -> None:
    lives = len(run.supervisor.lives)
    healthy = HEALTHY[outcome.phase]
    if outcome.phase == "open alarm":
        run.control(dry=[OPEN])
        run.wait_for(lambda: bool(run.told(OPEN)), TOLD_SECONDS + SLACK_SECONDS, f"{OPEN}'s message")
    began, fault_began = time.monotonic(), run.now()
    before = {one.id for one in run.told()}
    logins = run.mail.logins
    if outcome.phase != "at start":
        fault.strike(run)
        run.control(**fault.control, dry=_dry(fault, outcome.phase))
    if fault.restarts:
        run.wait_for(lambda: len(run.supervisor.lives) == lives + fault.restarts, 20.0, "the watchdog's kill")
        outcome.demand(run.supervisor.lives[-2].hungry, "it ended without the watchdog")
        outcome.demand("most recent call first" in run.supervisor.log.read_text("utf-8", "replace"), "no stacks dumped")
        run.wait_for(lambda: run.supervisor.life.ready is not None, 20.0, "the restart")
    if fault.told_over is not None:
        waits = STAND_IN_SECONDS + 2 * SEND_SECONDS + (15.0 if fault.restarts else 0.0)
        outcome.told_seconds = run.wait_for(
            lambda: any(one.channel == fault.told_over for one in _news(run, healthy, before)),
            TOLD_SECONDS + waits + SLACK_SECONDS, f"{healthy}'s message over {fault.told_over}",
        )  # fmt: skip
        if fault.told_over == "second" and not fault.doubles:
            outcome.demand(
                not any(one.channel == "phone" for one in _news(run, healthy, before)),
                "the broken channel took it as well",
            )
    else:
        run.wait_for(lambda: _stands(run, healthy), TOLD_SECONDS + SLACK_SECONDS, f"{healthy}'s alarm")
    if fault.complains:
        run.wait_for(
            lambda: any("channel" in one.title and one.type == "system.raised" for one in run.told()),
            60 / SPEED + SLACK_SECONDS, "the word about the broken channel",
        )  # fmt: skip
    half = fault.lasts / 2 if fault.stall else fault.lasts
    _last(run, fault_began, half)
    if fault.stall is not None:
        fault.stall(run)
        _last(run, fault_began, fault.lasts)
    if fault.told_over is None:
        outcome.demand(not _news(run, healthy, before), "it was told though nothing can have arrived")
    outcome.answered_seconds = run.answers_within_seconds()
    outcome.demand(outcome.answered_seconds < 2.0, f"answered after {outcome.answered_seconds:.1f} s")
    outcome.demand(not _unread(run), f"not read during the fault: {_unread(run)}")
    if fault.most_logins is not None:
        outcome.demand(run.mail.logins - logins <= fault.most_logins, f"{run.mail.logins - logins} logins")
    by_now = {one.id for one in run.arrived()}
    fault.mend(run)
    outcome.recovered_seconds = run.wait_for(
        lambda: not run.waiting() and bool(run.told(healthy) or fault.storm), fault.after / SPEED + SLACK_SECONDS,
        f"everything to be delivered, still waiting: {run.waiting()[:3]}",
    )  # fmt: skip
    told = run.arrived()
    if fault.storm:
        late = [one for one in told if one.id not in by_now]
        digests = [one for one in late if one.type == "digest"]
        outcome.demand(len(digests) == 1, f"{len(digests)} digests")
        outcome.demand(len(late) <= 2, f"{len(late)} messages after the outage: {[one.title for one in late]}")
        silence = run.longest_silence_seconds(began)
        outcome.demand(silence > 900, f"the dead-man address heard nothing for {silence:.0f} s only")
    doubles = Counter(one.id for one in told)
    outcome.demand(fault.doubles or max(doubles.values()) == 1, f"doubled: {[i for i, n in doubles.items() if n > 1]}")
    alarms = {one.alarm for one in _news(run, healthy, before) if one.type.startswith("dry.") and one.alarm}
    outcome.demand(len(alarms) <= 1, f"{healthy}'s excursion was told under {len(alarms)} ids")
    outcome.demand(not any(call.path.endswith("/behind") for call in run.second.calls), "a redirect was followed")
    outcome.demand(len(run.supervisor.lives) - lives <= fault.restarts, f"{len(run.supervisor.lives) - lives} restarts")
    run.control(dry=[])
    run.wait_for(lambda: not run.standing() and not run.waiting(), CALM_SECONDS, "a calm end")


def _last(run: WaysRun, began: float, seconds: float) -> None:
    run.wait_for(lambda: run.now() - began > seconds, seconds / SPEED + 5, "the fault to last")


def _news(run: WaysRun, place: str, before: Collection[str]) -> list[Arrived]:
    """Return what arrived about an enclosure beside the ids known before."""
    return [one for one in run.told(place) if one.id not in before]


def _stands(run: WaysRun, place: str) -> bool:
    return any(alarm.kind == "dry" and alarm.enclosure == place for alarm in run.standing())


def _unread(run: WaysRun) -> list[str]:
    newest, now = run.latest(), run.now()
    return [p for p in PLACES if p not in newest or now - newest[p].reading.time > 3 * POLL_SECONDS]


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_what_must_hold_when_a_way_is_broken(
    fault: Fault, phase: str, ways_runs: dict[str, dict[str, Outcome]], campaign_row: Callable[[tuple[str, ...]], None]
) -> None:
    """Told in time over what is left, nothing lost, one id, readings go on, the daemon answers, all recovers by itself."""
    if fault.named and not may_name():
        pytest.skip("needs root: another resolv.conf for one process")
    if fault.name not in ways_runs:
        pytest.skip("not among $CAMPAIGN")
    outcome = ways_runs[fault.name][phase]
    campaign_row(outcome.row(fault.name))
    assert not outcome.problems, f"{fault.about}, {phase}: " + "; ".join(outcome.problems)
