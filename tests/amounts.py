"""How much of a thing a run tries: a small amount at each run, by hand and in CI, a large one with LONG=true (.ci/long).

What is drawn is drawn anew at each run, from one seed that the run prints, so that many short runs see what a long one
sees. No test may need its large amount to be able to fail.
"""

from __future__ import annotations

import os
import secrets

LONG = bool(os.environ.get("LONG"))
SEED = int(os.environ.setdefault("DEWKEEPER_SEED", str(secrets.randbelow(2**32))))
"""The run's seed; its processes share it through their environment."""


def amount(usual: int, long: int) -> int:
    """Return how many examples, kills, readings or cuts to try."""
    return long if LONG else usual
