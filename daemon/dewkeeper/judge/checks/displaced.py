"""`displaced`: it reads its room's air: the probe fell out, or lies beside the enclosure.

A tub whose heat failed comes to its room's temperature too, but slowly; and an enclosure under an open lid stays warmer
than its room, for its heater goes on. Vapour is compared, not humidity.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.contract import Check, Findings, InFault, Over
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.types import Figures
from dewkeeper.judge.view import ProbeView, View

SUDDEN_SECONDS: Final = 2400
"""Longer than a tub stands open in passing."""
SLOW_SECONDS: Final = 5400
"""Told within two hours (goal)."""
_SUDDEN_LOOKS: Final = 4
"""From a tub's usual air into the room's within 20 min of readings: a lag of a probe, not the cooling of a tub."""
_NEAR_T_C, _NEAR_HPA, _NEAR_E = 0.8, 0.8, 0.06
_SUDDEN_T_C, _SUDDEN_E_HPA = 1.3, 1.8
"""After a sudden fall two ordinary probes may differ by their tolerances and still mean it: 1.8 hPa are 5 %RH between them."""
_CLOSE_T_C, _CLOSE_HPA, _CLOSE_SHARE = 0.7, 0.8, 0.25
"""In a room nearly as warm or as moist as its tubs a near match is no match: a quarter of the usual distance at most."""
_APART_C: Final = 3.0
_FAR_T_SHARE, _FAR_E_SHARE = 0.65, 0.4
_TOUCHED_SECONDS: Final = 3600
"""Shares, looks and seconds above without a source: tuned on bench, seeds 1-9."""


@remembered
class DisplacedMemory(ProbeMemory):
    """near_since: since when it reads the room's air, near_sudden: whether that came at once. far_at: when it was last far from it, far_looks: looks since."""

    far_at: int = NEVER
    far_looks: int = 0
    near_since: int = NEVER
    near_sudden: bool = False


def near_since(probe: ProbeView) -> int:
    """Return since when a probe reads its room's air, NEVER when it does not."""
    return probe.memory(DisplacedMemory).near_since


def usually_apart(probe: ProbeView) -> bool:
    """Return whether this enclosure's temperature usually tells it from its room."""
    return probe.past.learned and abs(probe.past.usual_dt) >= _APART_C


def tells_from_room(probe: ProbeView, room: ProbeView) -> bool:
    """Return whether what is usual here would tell a probe in this enclosure from one that came to lie in the room's air.

    A tub whose heat failed comes to its room's temperature too, but slowly; there only the vapour tells them apart.
    """
    told_by_heat = probe.memory(DisplacedMemory).near_sudden and abs(probe.past.usual_dt) >= 2 * _NEAR_T_C
    return probe.past.learned and (told_by_heat or abs(probe.past.usual_de) >= 3 * max(_NEAR_E * room.air.e, 0.6))


def look(view: View) -> Findings:
    """Every five minutes: is what it reads the room's air?"""
    probe, room, memory = view.probe, view.room, view.probe.memory(DisplacedMemory)
    if room is None:
        memory.near_since = NEVER
        return ()
    sudden = memory.near_sudden if memory.near_since != NEVER else memory.far_looks <= _SUDDEN_LOOKS
    if not _close(probe, room) or not reads_room(probe.air.t, probe.air.e, room, sudden):
        memory.near_since = NEVER
        memory.far_looks, memory.far_at = (0, view.now) if _far(probe, room) else (memory.far_looks + 1, memory.far_at)
        return ()
    if memory.near_since == NEVER:
        memory.near_since, memory.near_sudden = view.now, sudden
    if "displaced" in probe.faults or not tells_from_room(probe, room):
        return ()
    touched = any(0 <= memory.near_since - at <= _TOUCHED_SECONDS for at in probe.breaks)
    if not memory.near_sudden and not touched:
        return ()  # it came there slowly and by itself: it cooled
    at_once = memory.near_sudden and usually_apart(probe)
    if view.now - memory.near_since < (SUDDEN_SECONDS if at_once else SLOW_SECONDS):
        return ()
    # It may have fallen right after the last look that was still the tub's.
    since = memory.far_at + 1 if at_once and memory.far_at != NEVER else memory.near_since
    sure = "very" if at_once else "fairly"
    detail: Figures = {"sure": sure, "room_c": round(room.air.t, 1), "room_hpa": round(room.air.e, 1)}
    return InFault("displaced", since, detail), Over("lid_open"), Over("heat_lost")


def _close(probe: ProbeView, room: ProbeView) -> bool:
    usual_t, usual_e = abs(probe.past.usual_dt), abs(probe.past.usual_de)
    t, e = abs(probe.air.t - room.air.t), abs(probe.air.e - room.air.e)
    return t <= max(_CLOSE_T_C, _CLOSE_SHARE * usual_t) and e <= max(_CLOSE_HPA, _CLOSE_SHARE * usual_e)


def _far(probe: ProbeView, room: ProbeView) -> bool:
    """Return whether it is as far from the room's air as it usually is, or nearly."""
    usual_t, usual_e = abs(probe.past.usual_dt), abs(probe.past.usual_de)
    warmth, vapour = abs(probe.air.t - room.air.t), abs(probe.air.e - room.air.e)
    by_warmth = warmth > _FAR_T_SHARE * usual_t and (usual_t >= _APART_C or vapour > _FAR_E_SHARE * usual_e)
    return by_warmth or vapour > max(2 * _SUDDEN_E_HPA, _FAR_E_SHARE * usual_e)


def reads_room(t: float, e: float, room: ProbeView, sudden: bool) -> bool:
    """Return whether a reading is the room's, in temperature and in vapour pressure; after a sudden fall less closely."""
    near_t, near_e = (_SUDDEN_T_C, _SUDDEN_E_HPA) if sudden else (_NEAR_T_C, _NEAR_HPA)
    return abs(t - room.air.t) <= near_t and abs(e - room.air.e) <= max(near_e, _NEAR_E * room.air.e)


CHECK: Final = Check(
    "displaced",
    {
        "displaced": fault(
            "probe fell out", "the room's air is read", "put the probe back near the substrate", "out_of_specification",
        ),
    },
    DisplacedMemory,
    look=look,
)  # fmt: skip
