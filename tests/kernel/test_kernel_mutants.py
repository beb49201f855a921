"""Every mistake in `linux.py` that is written down fails a test: some of them at each run, all in the long one."""

from __future__ import annotations

import faulthandler
import random

import pytest
from tests.amounts import SEED, amount
from tests.kernel.mutants import MUTANTS, survivors


@pytest.mark.slow
def test_no_mutant_survives() -> None:
    """Another byte copied, a time-out ignored, an error's number swallowed: each is noticed over the emulated kernel."""
    faulthandler.cancel_dump_traceback_later()  # as many small runs of pytest, a second each
    assert survivors(random.Random(SEED).sample(list(MUTANTS), amount(3, len(MUTANTS)))) == []
