"""The one change that would keep an enclosure on target for good, where water in the evening only bridges.

What its air would be with less or more exchange is reckoned by the learning pass (`insight.levels`); here it is held against
the limits. One change at a time, a small one, and then two weeks to see what it did (KEEPER, B59). Common practice,
never veterinary advice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal

from dewkeeper.insight.changed import LOOK_AGAIN_DAYS
from dewkeeper.insight.outlook import VENT_STEPS
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.due import Due, DueTap
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Enclosure, Limits

LEVERS: Final = frozenset(what for what in JOURNAL if what.endswith("_changed")) - {"humid_hide_changed"}
"""Changes of which it takes two weeks to know what they did; a humid hide comes and goes with every shed."""
CHANGE: Final = "change"
"""Its kind on the round: it presses nobody, and no sitter is asked for it."""
_DAYS: Final = 14
"""So many it rests on."""
_WORTH_HOURS: Final = 4.0
"""Fewer hours a day beyond target are no reason to change an enclosure. Our choice, no source."""
_LEAVES: Final = 0.5
"""At least so much of them is to go. Our choice, no source."""
_PROBE_PERCENT: Final = 2.0
"""A probe that may be wrong by more is checked first (KEEPER: touch nothing else)."""
_HEAT: Final = "Look at the temperature again within the hour."
_AIR: Final = "Never close most of it: still, wet air harms the lungs. Keep covers away from any heat."
_MORE: Final = {4 / 3: "a third", 5 / 3: "two thirds"}


@dataclass(frozen=True, slots=True)
class Lasting:
    """A change that lasts: what to do and why, in words; what a tap writes; what to mind.

    side: which way it leaves target without it. step: how much of its air is to pass, 1 as it is, or what does the same.
    """

    todo: str
    why: str
    word: str
    detail: str
    caution: str
    side: Literal["dry", "damp"]
    step: float

    def due(self, enclosure: str, day: date) -> Due:
        """Return it as the round lists it."""
        tap = DueTap(self.word, JOURNAL[self.word].label, self.detail)
        since = day - timedelta(_DAYS)  # so that it stays put off for as long as somebody said
        return Due(CHANGE, enclosure, self.todo, self.why, since, (tap,), about=self.word, caution=self.caution)


def lasting(
    enclosure: Enclosure, limits: Limits, levels: Sequence[Sequence[float]], probe_error: float, wording: Wording
) -> Lasting | None:
    """Return the change that leaves the fewest hours beyond target, None where none is worth it.

    levels: %RH without water from anybody, for each of `VENT_STEPS`. probe_error: what the probe is known to read wrong by, %RH.
    """
    # Figures that another version learned may be of other steps.
    if len(levels) != len(VENT_STEPS) or abs(probe_error) > _PROBE_PERCENT:
        return None
    target = limits.humidity_target
    beyond = [24 * sum(not target.low <= value <= target.high for value in row) / len(row) for row in levels]
    usual = levels[0]
    # Levels are quantiles, the lowest first: the middle one is the median.
    side: Literal["dry", "damp"] = "dry" if usual[len(usual) // 2] < (target.low + target.high) / 2 else "damp"
    ways = [at for at, step in enumerate(VENT_STEPS) if step != 1 and (step < 1) == (side == "dry")]
    best = min(ways, key=beyond.__getitem__)
    if beyond[0] < _WORTH_HOURS or beyond[best] > _LEAVES * beyond[0]:
        return None
    how = _how(enclosure, VENT_STEPS[best])
    if how is None:
        return None
    todo, word, detail, caution = how
    bound = f"below {wording.humidity(target.low)}" if side == "dry" else f"above {wording.humidity(target.high)}"
    why = (
        f"without water from you about {beyond[0]:.0f} h a day {bound} in these two weeks, reckoned with it"
        f" {beyond[best]:.0f} h beyond target; only this one change, and look again in {LOOK_AGAIN_DAYS} days"
    )
    return Lasting(todo, why, word, detail, caution, side, VENT_STEPS[best])


def _how(enclosure: Enclosure, step: float) -> tuple[str, str, str, str] | None:
    """Return what to do, the journal's word and detail for it, and what to mind; the least harmful lever it has comes first."""
    levers = enclosure.levers
    if step > 1:
        much = _MORE[step]
        if "holes" in levers:
            return f"open {much} more holes", "holes_changed", f"opened, {much} more", _HEAT
        if "mesh_cover" in levers:
            return f"uncover {much} more of the mesh", "mesh_cover_changed", f"uncovered, {much} more", _HEAT
        return None
    if "bowl_size" in levers and enclosure.open_water:
        return "give it a bowl with half as much surface again", "bowl_size_changed", "enlarged", _HEAT
    if "mesh_cover" in levers and not enclosure.mesh_near_heat:
        return "cover a third of the mesh", "mesh_cover_changed", "covered, a third", f"{_HEAT} {_AIR}"
    if "holes" in levers:
        return "close a third of the holes", "holes_changed", "closed, a third", f"{_HEAT} {_AIR}"
    return None
