"""`system`: the monitor's own trouble, which the service reports, reviews that are due, and changes that are logged."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.contract import Detector
from dewkeeper.judge.rationale import DAY, Rationale

DETECTOR: Final = Detector(
    "system",
    {
        "system": Rationale(
            "dewkeeper itself", "the monitor has trouble of its own", "it may see or say less than it should",
            "see the detail, and Health on the page", DAY, "medium",
        ),
    },
)  # fmt: skip
