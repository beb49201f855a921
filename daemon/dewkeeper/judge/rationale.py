"""Why an alarm kind exists: what it says, how urgent it is, how much time there is. No alarm kind exists without these words.

Priorities follow consequence and time to harm: heat kills within the hour, dry or damp air harms over days. Numbers
are common practice, not veterinary advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from dewkeeper.judge.types import Band, Priority

HOUR: Final = 3600
DAY: Final = 24 * HOUR

WARMED, COOLED, LEFT, ADDED, ROOM = "warmed", "cooled", "moisture left", "moisture added", "room changed"
"""Why the air of an excursion changed (`cause`)."""

COLD_CAUSE: Final = "the room is cold"
DRY_CAUSE: Final = "the room's air is frost-dry"
"""One kind, `room_frost`, for two things that ask for different steps."""

TYPED: Final = "on the Pi, in a terminal"
"""Where a command is typed: a keeper who reads one in a message knows no more of it than that."""

HIGHEST: Final = "highest_c"
"""What the detail of a heat that is over calls the hottest it was."""

MILD_C: Final = "24–28 °C"
MILD: Final = f"{MILD_C} (75–82 °F)"
"""A room in which a snake without its heater, or too hot before, takes no harm. Common practice, no source."""
ROOM_HEATER: Final = "a room heater straight into a wall socket on another breaker, nothing near it"
TO_THE_HEATER: Final = "wet or scorched: breaker off. Else unplug its heater, check all, replug"
"""The first step wherever heat is missing: the hand is protected, and nobody leaves it unplugged."""
TO_THE_THERMOSTAT: Final = "look at its thermostat"
"""The first step where the warmth is not yet what harms: a heater that is unplugged leaves the snake cold."""
HANDS_OFF: Final = "scorched or wet: hands off, breaker off, licensed electrician"
SWITCH_ON: Final = f"{HANDS_OFF}; sound and dry: breaker on, once; trips again: leave it off, licensed electrician"
MEANWHILE_WARM: Final = f"while the heat is off keep the room at {MILD}, {ROOM_HEATER}"
"""What keeps a snake warm while its heat is off."""
AT_A_HEATER: Final = f"{TO_THE_HEATER}; all: plug, lead, thermostat; scorched, wet or tripping: hands off, leave it off, licensed electrician; {MEANWHILE_WARM}"
"""What is said where heat is missing."""
STILL_DRY: Final = "still dry six hours after that: "
"""When the second step against dryness is due, in every advice alike: a filled bowl needs hours to show. Common practice, no source."""
COOL_BOX: Final = f"each snake alone, in a closed box with air holes, in a cooler room, best {MILD}"
"""The box, for a loose snake is lost; another room, for the heat may be this one's."""


def heat_off(*, several: bool = False) -> str:
    """Return the first steps against heat, of one tub or of several.

    What protects the hand and what keeps the snake breathing are in the first: a row shows no more than that.
    """
    s, it, airy = ("s", "them", "airy boxes") if several else ("", "it", "airy box")
    return (
        f"smoke: get out. Else breaker off (cool plug{s}: pull {it}), snake{s} in {airy}; "
        f"smoke or flames: shut the door behind you, fire service; touch nothing hot or melted; {COOL_BOX}; leave the tub{s} open"
    )


HEAT_OFF: Final = heat_off()

Class = Literal["failure", "function_check", "out_of_specification", "maintenance"]
"""Classes of NAMUR NE 107 for what is wrong with a probe."""


@dataclass(frozen=True, slots=True)
class Rationale:
    """Why an alarm kind exists: what to tell, how urgently, and what harm waits.

    within_seconds: time to respond. ne107: class of a probe fault, None for anything else.
    tolerable_priority: priority once tolerable is passed; `priority` holds for the target band and where there is none.
    """

    label: str
    cause: str
    consequence: str
    response: str
    within_seconds: int
    priority: Priority = "low"
    tolerable_priority: Priority | None = None
    tolerable_within_seconds: int | None = None
    ne107: Class | None = None

    def __post_init__(self) -> None:
        for name in ("label", "cause", "consequence", "response"):
            if not getattr(self, name).strip():
                raise ValueError(f"an alarm kind without {name}")
        if self.within_seconds <= 0:
            raise ValueError("an alarm kind without a time to respond")

    def priority_for(self, band: Band | None) -> Priority:
        """Return the one priority of this kind and band."""
        return self.tolerable_priority if band == "tolerable" and self.tolerable_priority else self.priority

    def within_for(self, band: Band | None) -> int:
        """Return the time to respond, seconds, of this kind and band."""
        beyond = self.tolerable_within_seconds
        return beyond if band == "tolerable" and beyond is not None else self.within_seconds


UNWATCHED: Final = "unwatched: humidity and temperature stay unknown until readings are good again"
UNREAD: Final = "unwatched: no alarm can come, not of heat either, until readings are good again"


def fault(
    label: str, cause: str, response: str, ne107: Class, within: int = DAY, consequence: str = UNWATCHED
) -> Rationale:
    """Return the words of a probe fault: of its class follows how urgent it is."""
    return Rationale(
        label, cause, consequence, response, within,
        priority="low" if ne107 in ("function_check", "maintenance") else "medium", ne107=ne107,
    )  # fmt: skip
