"""A humidity that falls: the air dries, and that is told in time; the probe fails, and it is not told as dryness.

The tub is simulated here, with saturation by Bolton (Monthly Weather Review 108:1046, 1980, equation 10): its air
exchanges with the room, with a bowl and with a floor that gives up the water it has.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import islice, pairwise

import pytest
from tests.judge.judge_desk import Desk, rack

ROOM = ("air", 22.0, 45.0)


def _saturation_hpa(celsius: float) -> float:
    return 6.112 * math.exp(17.67 * celsius / (celsius + 243.5))


def _swing(minute: int, swing_c: float) -> float:
    return 29.0 + swing_c * math.sin(2 * math.pi * minute / 37)


def _tub(dries_at: int, tau: float, store: float, swing_c: float) -> Iterator[tuple[float, float]]:
    """Yield °C and %RH minute by minute; from `dries_at` on the bowl is empty.

    tau: minutes in which the room's air replaces the tub's. store: how many times the air's water the floor holds.
    """
    room = 0.45 * _saturation_hpa(22.0)
    rest = 0.65 * _saturation_hpa(29.0)
    bowl = (rest - room) / tau / (_saturation_hpa(28.0) - rest)
    vapour, floor = rest, 0.65
    minute = 0
    while True:
        celsius = _swing(minute, swing_c)
        full = _saturation_hpa(celsius)
        given = (floor * full - vapour) / tau
        vapour += (
            (room - vapour) / tau + given + (bowl * (_saturation_hpa(celsius - 1) - vapour) if minute < dries_at else 0)
        )
        floor -= given / (store * full)
        yield celsius, 100 * vapour / full
        minute += 1


def _feed(
    desk: Desk, series: Iterator[tuple[float, float]], minutes: int, room: tuple[str, float, float] = ROOM
) -> list[float]:
    """Feed so many minutes of a series; return the humidities."""
    rows = list(islice(series, minutes))
    desk.hold(minutes, t=lambda m: rows[m][0], h=lambda m: rows[m][1], others=[room])
    return [h for _, h in rows]


def _raised(desk: Desk) -> list[str]:
    return [e.kind for e in desk.events if e.event in ("raised", "escalated")]


@pytest.mark.parametrize("swing_c", [0.0, 0.4, 1.0])
@pytest.mark.parametrize(("tau", "store"), [(6, 0.5), (12, 3), (25, 4), (40, 1), (60, 2)])
def test_air_that_dries_is_told_of_in_time(tau: float, store: float, swing_c: float) -> None:
    """A bowl ran dry, in tubs quick and slow, on floors that hold little and much: `dry` at its on-delay, no fault of the probe."""
    desk = Desk(rack(room=True))
    series = _tub(8 * 60, tau, store, swing_c)
    _feed(desk, series, 8 * 60)
    began = desk.now
    humidity = _feed(desk, series, 6 * 60)
    beyond = [h < 55 for h in humidity]
    passed = began + 60 * max(m for m, (a, b) in enumerate(pairwise([False, *beyond]), 1) if b and not a)
    outer = [e for e in desk.events if e.kind == "dry" and e.event in ("raised", "escalated") and e.band == "tolerable"]
    assert outer
    assert outer[0].time <= passed + 3600 + 120
    assert "impossible" not in _raised(desk)


@pytest.mark.parametrize("swing_c", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("hours", [2.0, 3.0, 3.5])
def test_a_probe_that_fails_slowly_is_never_told_as_dryness(hours: float, swing_c: float) -> None:
    """Its humidity slides to nothing over hours while the tub's air is as ever: `impossible`, and no excursion."""
    desk = Desk(rack(room=True))
    healthy = _tub(10**9, 12, 3, swing_c)
    _feed(desk, healthy, 8 * 60)
    failing = ((t, max(9.0, h - 56 * m / (60 * hours))) for m, (t, h) in enumerate(healthy))
    _feed(desk, failing, 6 * 60)
    assert _raised(desk) == ["impossible"]


@pytest.mark.parametrize("swing_c", [0.0, 0.6])
@pytest.mark.parametrize("tau", [45, 60, 90])
def test_a_probe_that_fades_is_never_told_as_dryness(tau: float, swing_c: float) -> None:
    """It bends as air does, but towards nothing, past what its room has: `impossible`, and no excursion."""
    desk = Desk(rack(room=True))
    healthy = _tub(10**9, 12, 3, swing_c)
    _feed(desk, healthy, 8 * 60)
    failing = ((t, max(4.0, h - 61 * (1 - math.exp(-m / tau)))) for m, (t, h) in enumerate(healthy))
    _feed(desk, failing, 8 * 60)
    assert _raised(desk) == ["impossible"]


def test_a_probe_off_by_much_is_not_believed_when_the_room_dries() -> None:
    """35 %RH too low from one poll to the next is `impossible` in a moist room, and stays it in a dry one, until it is mended; `dry` only after 13 h, and in doubt."""
    desk = Desk(rack(room=True))
    healthy = _tub(10**9, 12, 3, 0.4)
    moist, drier = ("air", 22.0, 56.0), ("air", 22.0, 40.0)
    _feed(desk, healthy, 8 * 60, moist)
    off = ((t, h - 40) for t, h in healthy)
    _feed(desk, off, 3 * 60, moist)
    _feed(desk, off, 9 * 60, drier)
    assert _raised(desk) == ["impossible"]
    _feed(desk, off, 21 * 60, drier)
    assert [(e.kind, e.detail.get("doubt")) for e in desk.events if e.event == "raised"] == [
        ("impossible", None), ("dry", "probe below its room"),
    ]  # fmt: skip
    _feed(desk, healthy, 60, drier)
    told = [(e.kind, e.event) for e in desk.events if e.event != "annotated"]
    assert told == [("impossible", "raised"), ("dry", "raised"), ("impossible", "cleared"), ("dry", "cleared")]


def _misted(minute: int) -> float:
    """Return what a misting every twelve hours adds, %RH: within minutes 28, for an hour and a half all of it, then less and less."""
    since = minute % 720
    return 28 * (1 - math.exp(-since / 4)) * math.exp(-max(0, since - 90) / 40)


def test_a_misting_makes_no_wrong_probe_well_again() -> None:
    """A probe 35 %RH too low is misted twice a day, and reads above its room, and dry, for up to two hours: one `impossible`, and no `dry` as a fact."""
    desk = Desk(rack(room=True))
    healthy = _tub(10**9, 12, 3, 0.4)
    moist = ("air", 22.0, 56.0)
    _feed(desk, healthy, 8 * 60, moist)
    off = ((t, h - 38 + _misted(m + 500)) for m, (t, h) in enumerate(healthy))
    _feed(desk, off, 30 * 60, moist)
    raised = [(e.kind, e.detail.get("doubt")) for e in desk.events if e.event in ("raised", "escalated")]
    assert raised[0] == ("impossible", None)
    assert set(raised[1:]) <= {("dry", "probe below its room")}


@pytest.mark.parametrize(("percent", "within"), [(65.0, 60), (50.0, 125)])
def test_a_mended_probe_is_believed_again(percent: float, within: int) -> None:
    """Mended, it reads what it did before, and is believed within the hour; drier than before, after two, and `dry` is told then, not two and one."""
    desk = Desk(rack(room=True))
    moist = ("air", 22.0, 50.0)
    desk.hold(8 * 60, others=[moist])
    desk.hold(10 * 60, h=20.0, others=[moist])
    mended = desk.now
    desk.hold(within, h=percent, others=[moist])
    assert [e.event for e in desk.events if e.kind == "impossible"] == ["raised", "cleared"]
    told = [e.time - mended for e in desk.events if e.kind == "dry" and e.event == "raised"]
    assert [seconds <= 60 * within for seconds in told] == ([] if percent > 60 else [True])


def test_a_probe_fallen_out_of_a_tub_little_warmer_than_its_room_is_not_dry() -> None:
    """Two degrees apart in a heat wave, and it lies in the room's air from one look to the next: `displaced`, never `dry`."""
    desk = Desk(rack(room=True))
    warm = ("air", 26.8, 49.0)
    _feed(desk, _tub(10**9, 12, 3, 0.4), 12 * 60, warm)
    desk.hold(5 * 60, t=27.0, h=51.0, others=[warm])
    assert _raised(desk) == ["displaced"]


def test_vapour_alone_that_falls_to_the_rooms_is_dry_at_its_time() -> None:
    """The same fall at the tub's own temperature is no displaced probe: `dry` within its on-delay."""
    desk = Desk(rack(room=True))
    warm = ("air", 26.8, 49.0)
    _feed(desk, _tub(10**9, 12, 3, 0.4), 12 * 60, warm)
    began = desk.now
    desk.hold(5 * 60, t=lambda m: _swing(m, 0.4), h=47.0, others=[warm])
    assert _raised(desk) == ["dry"]
    assert desk.events[0].time - began <= 3600 + 120
