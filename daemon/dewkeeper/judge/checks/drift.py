"""`drift`: a probe that reads wrong by a growing step. Only what is learned over months can show it; no single day does."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.contract import Check
from dewkeeper.judge.rationale import DAY, fault

CHECK: Final = Check(
    "drift",
    {
        "drift": fault(
            "reads wrong by a growing step", "age or contamination", "calibrate or replace", "maintenance", 30 * DAY
        )
    },
)
