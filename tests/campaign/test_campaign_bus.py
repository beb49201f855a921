"""Faults of the wire, F01 to F15: the real daemon under a supervisor, each fault in three phases of its life.

Over the project's own adapter of the wire, or with SEAM=kernel over the emulated kernel's /dev/i2c-1 and 2. Simulated time runs sixty times as fast; all faults run side by side, for they mostly wait.
"""

from __future__ import annotations

import faulthandler
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from tests.campaign.phases import PHASES, Fault, Outcome, campaign
from tests.campaign.rack_process import CHANNEL, FIRST_WORD, PLACES

STRUCK = PLACES[CHANNEL]
PAIR = PLACES[CHANNEL : CHANNEL + 2]
BRANCHES = tuple(PLACES[:8])
BUS = tuple(PLACES[:10])
ALIKE = tuple(PLACES[:9])
"""Those on the bus that share an address: while a multiplexer cannot be closed none of them can be told apart."""
AT_ONCE = 6
"""Runs side by side; the longest first, so that the whole takes little longer than the longest."""

SEAM = os.environ.get("SEAM", "wire")
"""`wire` or `kernel`: see `Run`."""

FAULTS = (
    Fault("F11", "a probe reads 100 % for an hour", {"wet": [STRUCK]}, (), "saturated", (STRUCK,), 3600, marks=True),
    Fault(
        "F07",
        "a bus call never returns",
        {"fault": "f07"},
        BUS,
        "missing",
        BUS,
        780,
        restarts=(1, 1),
        says="one is silent: a call on it does not return",
    ),
    Fault(
        "F10", "a probe repeats one frame", {"fault": "f10"}, (), "flat_line", (STRUCK,), 780, FIRST_WORD, marks=True
    ),
    Fault("F01", "a probe does not answer", {"unplugged": [STRUCK]}, (STRUCK,), "missing", (STRUCK,), 720),
    Fault(
        "F04",
        "a multiplexer is absent",
        {"fault": "f04"},
        BRANCHES,
        "missing",
        BRANCHES[:2],
        720,
        says="multiplexer 0x70",
    ),
    Fault("F02", "a multiplexer refuses to select a channel", {"fault": "f02"}, (STRUCK,), "missing", (STRUCK,), 720),
    Fault("F03", "a multiplexer refuses to close", {"fault": "f03"}, ALIKE, "missing", (STRUCK,), 720),
    Fault(
        "F05",
        "the bus is dead while a channel is open",
        {"fault": "f05"},
        (STRUCK,),
        "missing",
        (STRUCK,),
        780,
        says="channel 3",
    ),
    Fault(
        "F06",
        "every call takes a second and fails",
        {"fault": "f06"},
        BUS,
        "missing",
        BUS,
        780,
        says="every probe of one",
    ),
    Fault("F08", "a fifth of all transfers fails", {"fault": "f08"}, BUS, lasts=900, answered=0.99),
    Fault("F09", "answers with three bits wrong", {"fault": "f09"}, BUS, lasts=900),
    Fault(
        "F12",
        "a probe's heater is on",
        {"fault": "f12"},
        (),
        "sensor_heater",
        (STRUCK,),
        240,
        kind_at_start=False,
        strange=(STRUCK,),
        marks=True,
    ),
    Fault(
        "F13",
        "two probes have changed places",
        {"fault": "f13"},
        (),
        "swapped",
        PAIR,
        180,
        says="answers the sensor recorded for",
        marks=True,
        exchanged=True,
        lasts=300,
    ),
    Fault("F14", "two multiplexers open at once", {"fault": "f14"}, BUS, lasts=420),
    Fault("F15", "a probe unplugged and replugged", {"unplugged": [STRUCK]}, (STRUCK,), lasts=60, flicker=True),
)


@pytest.fixture(scope="session")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Outcome]]:
    """Return the outcomes of all runs by fault and phase; takes some minutes."""
    faulthandler.cancel_dump_traceback_later()  # it watches single tests; this is all of them
    wanted = os.environ.get("CAMPAIGN", "").split() or [fault.name for fault in FAULTS]
    folder = tmp_path_factory.mktemp("campaign")
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="campaign") as pool:
        begun = {f.name: pool.submit(campaign, f, folder / f.name, SEAM) for f in FAULTS if f.name in wanted}
        return {name: future.result() for name, future in begun.items()}


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_the_invariants_hold(
    fault: Fault, phase: str, runs: dict[str, dict[str, Outcome]], campaign_row: Callable[[tuple[str, ...]], None]
) -> None:
    """Nothing is lost or mixed, an excursion elsewhere is told in time, the daemon answers, all recovers by itself."""
    if fault.name not in runs:
        pytest.skip("not among $CAMPAIGN")
    outcome = runs[fault.name][phase]
    campaign_row(outcome.row(fault.name if SEAM == "wire" else f"{fault.name} {SEAM}"))
    assert not outcome.problems, f"{fault.about}, {phase}, {SEAM}: " + "; ".join(outcome.problems)
