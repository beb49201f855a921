"""Since when a curve has been going where it went: found in the curve itself, for an alarm and for a question alike.

Going back from the end, the last turning point: the farthest value before the curve swings back. A ripple on a new level is
no turning point: where what came since is less than is told of, the next wider swings are looked at. What is left of a
jump, sinking slowly, is still the jump's story, so it begins before that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

SMALL_PERCENT: Final = 2.0
"""A smaller change is a thermostat's, or a probe's own repeatability; nothing is said of it."""
_RIPPLES: Final = (1.0, 2.0, 4.0)
"""%RH by which a curve must swing back to have turned, the finest first. Tuned: tests/bench/insight, seeds 21-24."""
_CLEAR: Final = 2.5
"""So many times its ripple a curve must have come for its finest turning point to be taken. Tuned as above."""
_TURN_SHARE: Final = 0.35
"""A swing back by a third of the change, and at least a ripple, ends it: what lies before is another story."""
_LEFT_PERCENT: Final = 0.3
_LEFT_SHARE: Final = 0.1
"""A plateau was left where the curve had gone so far, in %RH and as a share of what it went."""
_QUICK: Final = 3
"""A fall that came back is one story only where it took at most a third of the time since; a rise is water, which always sinks."""


def turned(values: Sequence[float], longest_jump: int) -> int | None:
    """Return the index since which a curve of humidity, %RH, oldest first, goes where it went; None for an empty one.

    longest_jump: so many steps a jump may take.
    """
    if not values:
        return None
    found = [_begin(values, ripple, longest_jump) for ripple in _RIPPLES]
    clear = (one for one, ripple in zip(found, _RIPPLES, strict=True) if abs(one[1]) >= _CLEAR * ripple)
    told = (one for one in found if abs(one[1]) >= SMALL_PERCENT)
    return next(clear, next(told, found[0]))[0]


def _begin(values: Sequence[float], ripple: float, longest_jump: int) -> tuple[int, float]:
    """Return the index of the last turning point by swings of at least a ripple, and how far the curve came since."""
    place, swing = _turn(values, ripple)
    earlier, jump = _turn(values[: place + 1], ripple)
    took = place - earlier
    quick = took <= longest_jump and (jump > 0 or _QUICK * took <= len(values) - 1 - place)
    if swing * jump < 0 and abs(jump) > abs(swing) and quick:
        return earlier, values[-1] - values[earlier]
    return place, swing


def _turn(values: Sequence[float], ripple: float) -> tuple[int, float]:
    """Return the index of the last turning point before the end of a curve, and how far it came since.

    On a plateau it is where the curve left it, not where it was a hair higher hours before.
    """
    last = values[-1]
    rise = [value - last for value in values]
    (up, top), (down, bottom) = _farthest(rise, ripple), _farthest([-value for value in rise], ripple)
    far, place, sign = (up, top, 1.0) if up >= down else (down, bottom, -1.0)
    left = far - max(_LEFT_PERCENT, _LEFT_SHARE * far)
    still = next((index for index in range(place, len(rise)) if sign * rise[index] < left), None)
    return max(0, place if still is None else still - 1), -sign * far


def _farthest(rise: Sequence[float], ripple: float) -> tuple[float, int]:
    """Return how far, and where, a curve seen backwards from its end (0 there) rises before it swings back."""
    top, place = 0.0, len(rise) - 1
    for index in range(len(rise) - 1, -1, -1):
        if rise[index] > top:
            top, place = rise[index], index
        elif top - rise[index] > max(ripple, _TURN_SHARE * top):
            break
    return top, place
