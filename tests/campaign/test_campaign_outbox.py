"""Thousands of events through a fifth of faults of every kind; ten thousand of them, which take a quarter of an hour, in .ci/long."""

from __future__ import annotations

import faulthandler
from pathlib import Path

from tests.amounts import amount
from tests.notify.fault_run import outcome_of, problems

EVENTS = amount(1_000, 10_000)
KINDS = 24
"""Kinds of fault the run knows where it may have a name server of its own; two fewer where it may not."""


def test_of_thousands_of_events_none_is_lost_and_no_id_changes(tmp_path: Path) -> None:
    """Every event arrives under its id; doubles only where the reply was lost; threads, descriptors, memory stay flat."""
    faulthandler.cancel_dump_traceback_later()  # it is for tests of seconds
    outcome = outcome_of(tmp_path, EVENTS, seed=44)
    print(outcome)
    assert not problems(outcome)
    assert len(outcome["faults"]) >= KINDS - 2
    assert sum(outcome["faults"].values()) > EVENTS // 5
