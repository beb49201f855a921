"""`dry`, `damp`, `hot`, `cold`: beyond a limit for longer than its on-delay. Timed by `limit_alarm` at every reading, held back by `hold_off`."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.contract import Detector
from dewkeeper.judge.rationale import AT_A_HEATER, DAY, HEAT_OFF, HOUR, STILL_DRY, Rationale

DETECTOR: Final = Detector(
    "excursion",
    {
        "dry": Rationale(
            "too dry", "moisture left the air, or the air warmed", "a poor shed over days",
            f"refill the bowl; {STILL_DRY}close a few holes from outside, never most", 2 * DAY, "low", "medium", 12 * HOUR,
        ),
        "damp": Rationale(
            "too damp", "moisture was added and does not leave", "skin and lung disease over days",
            "give the tub more air, mist less, look for a wet floor", 2 * DAY, "low", "medium", DAY,
        ),
        "hot": Rationale(
            "too hot", "the heat source gives too much, or the room is hot", "an hour of heat harms, death soon after",
            HEAT_OFF, 15 * 60, "urgent", "urgent",
        ),
        "cold": Rationale(
            "too cold", "the heat source fails, or the room is cold", "no digestion, weak defences, in a day or two",
            AT_A_HEATER, 2 * HOUR, "medium", "medium",
        ),
    },
)  # fmt: skip
