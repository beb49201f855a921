"""Faults of clock, process and disk, F16 to F30: the real daemon under a supervisor, each in three phases of its life.

F19 (nights on which clocks change) and F23 (a foreign write lock) are in tests/daemon/test_daemon_disturbed.py on a clock
moved by hand: at sixty times the speed a night takes too long, and SQLite's patience with a lock is real time. F21 is in
test_campaign_process.py. Simulated time runs sixty times as fast; runs go side by side, for they mostly wait.
"""

from __future__ import annotations

import faulthandler
import os
import shutil
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from tests.campaign.phases import PHASES, Outcome
from tests.campaign.storage_drive import StorageFault, drive
from tests.campaign.storage_faults import FAULTS

AT_ONCE = 5


@pytest.fixture(scope="session")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path | None:
    """The library that makes writes and syncs fail, None without a compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        return None
    made = tmp_path_factory.mktemp("shim") / "disk_faults.so"
    source = Path(__file__).with_name("disk_faults.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", str(made), str(source), "-ldl"], check=True)
    return made


def why_not(fault: StorageFault, shim: Path | None) -> str:
    """Return why a fault cannot be made here, empty when it can."""
    if fault.disk is not None and os.geteuid() != 0:
        return "needs root: mounts a file system"
    if fault.shim and shim is None:
        return "needs a C compiler"
    wanted = os.environ.get("CAMPAIGN", "").split()
    return "not among $CAMPAIGN" if wanted and fault.name not in wanted else ""


@pytest.fixture(scope="session")
def storage_runs(tmp_path_factory: pytest.TempPathFactory, shim: Path | None) -> dict[str, dict[str, Outcome]]:
    """Return the outcomes of all runs by fault and phase; takes some minutes."""
    faulthandler.cancel_dump_traceback_later()  # it watches single tests; this is all of them
    folder = tmp_path_factory.mktemp("storage")
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="campaign") as pool:
        begun = {
            fault.name: pool.submit(drive, fault, folder / fault.name, shim)
            for fault in FAULTS
            if not why_not(fault, shim)
        }
        return {name: future.result() for name, future in begun.items()}


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_the_invariants_hold_through_faults_of_clock_process_and_disk(
    fault: StorageFault,
    phase: str,
    shim: Path | None,
    storage_runs: dict[str, dict[str, Outcome]],
    campaign_row: Callable[[tuple[str, ...]], None],
) -> None:
    """Nothing stored is lost or doubled, an excursion is told in time, the daemon answers, all recovers by itself."""
    if reason := why_not(fault, shim):
        pytest.skip(reason)
    outcome = storage_runs[fault.name][phase]
    campaign_row(outcome.row(fault.name))
    assert not outcome.problems, f"{fault.about}, {phase}: " + "; ".join(outcome.problems)
