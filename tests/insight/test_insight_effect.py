"""What a change did: intervals that hold what is true as often as they say, by construction."""

from __future__ import annotations

import numpy as np
import pytest

from dewkeeper.insight.effect import Effect, effect
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import DAY_SECONDS, Series
from dewkeeper.judge.words import JOURNAL

START = 1_767_225_600
AT = START + 21 * DAY_SECONDS + 40_000
CHANGED = [Deed(AT, "mesh_cover_changed")]


def days(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Series:
    """Return a place whose vapour has this mean on each day."""
    return Series(START, np.full(288 * len(values), 29.0), np.repeat(values, 288))


def made(seed: int, true: float, rho: float, count: int = 42) -> tuple[dict[str, Series], Series]:
    """Return an enclosure with a true effect from day 21 on, two left alone, and the room; days are AR(1)."""
    dice = np.random.default_rng(seed)

    def walk(scale: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        values = np.empty(count)
        values[0] = dice.normal() * scale
        for day in range(1, count):
            values[day] = rho * values[day - 1] + scale * np.sqrt(1 - rho**2) * dice.normal()
        return values

    room = walk(1.0)
    after = np.where(np.arange(count) >= 21, true, 0.0)
    tubs = {
        "A": days(24 + 0.5 * room + walk(0.5) + after),
        "B": days(23 + 0.4 * room + walk(0.5)),
        "C": days(25 + 0.6 * room + walk(0.5)),
    }
    return tubs, days(12 + room)


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.7])
def test_the_interval_covers_as_often_as_it_says(rho: float) -> None:
    """Of 200 series with a known effect and AR(1) days the 95 % interval holds it in at least 90 %, and not always."""
    held = 0
    for seed in range(200):
        tubs, room = made(seed, 1.5, rho)
        found = effect("A", AT, tubs, room, {"A": CHANGED})
        assert isinstance(found, Effect)
        held += found.low <= 1.5 <= found.high
    assert 180 <= held <= 199


def test_a_change_that_did_nothing_is_rarely_called_real() -> None:
    """Of 200 placebos at most a tenth is told as an effect."""
    found = []
    for seed in range(1000, 1200):
        tubs, room = made(seed, 0.0, 0.4)
        one = effect("A", AT, tubs, room, {"A": CHANGED})
        assert isinstance(one, Effect)
        found.append(one.verdict != "no effect found")
    assert sum(found) <= 20


def test_two_weeks_on_each_side_are_needed() -> None:
    """With ten days afterwards it can't be told yet."""
    tubs, room = made(1, 3.0, 0.4, count=32)
    assert "can't tell yet" in str(effect("A", AT, tubs, room, {"A": CHANGED}))


def test_two_changes_at_once_cannot_be_told_apart() -> None:
    """A second change within a day withholds the answer."""
    tubs, room = made(1, 3.0, 0.4)
    for later in (0, 600, 7200):
        both = [*CHANGED, Deed(AT + later, "bowl_size_changed")]
        assert "two changes" in str(effect("A", AT, tubs, room, {"A": both}))
    twice = [*CHANGED, Deed(AT + 600, "mesh_cover_changed")]
    assert isinstance(effect("A", AT, tubs, room, {"A": twice}), Effect)


def test_a_probe_calibrated_in_between_withholds_the_answer() -> None:
    """Corrected in the days that are compared it reads otherwise afterwards; before them it does not matter; nor is one beside compared with."""
    tubs, room = made(1, 3.0, 0.4)
    between, before = AT + 5 * DAY_SECONDS, START - DAY_SECONDS
    assert "calibrated in between" in str(effect("A", AT, tubs, room, {"A": CHANGED}, None, {"A": [between]}))
    found = effect("A", AT, tubs, room, {"A": CHANGED}, None, {"A": [before], "B": [between]})
    assert isinstance(found, Effect)
    assert found.beside == 1


@pytest.mark.parametrize("what", sorted(word for word in JOURNAL if word.endswith("_changed")))
def test_every_lever_is_compared(what: str) -> None:
    """Misting, bowl, substrate, mesh, holes, hide and heater alike; day by day with and without it, for the picture."""
    tubs, room = made(3, 3.0, 0.4)
    found = effect("A", AT, tubs, room, {"A": [Deed(AT, what)]})
    assert isinstance(found, Effect)
    assert found.low < 3.0 < found.high
    after = [own - without for at, own, without in found.days if at > AT]
    assert (len(found.days), len(after)) == (41, 20)
    assert np.mean(after) == pytest.approx(found.hpa, abs=0.4)


@pytest.mark.parametrize("what", ["probe_moved", "probe_replaced", "moved_in"])
def test_another_probe_or_animal_in_between_withholds_the_answer(what: str) -> None:
    """Before and after are not the same place then."""
    tubs, room = made(1, 3.0, 0.4)
    assert "not the same place" in str(effect("A", AT, tubs, room, {"A": [*CHANGED, Deed(AT - 5 * DAY_SECONDS, what)]}))


def test_an_enclosure_that_was_changed_too_stands_not_beside() -> None:
    """Only enclosures that were left alone are compared with."""
    tubs, room = made(2, 2.0, 0.4)
    found = effect("A", AT, tubs, room, {"A": CHANGED, "B": [Deed(AT, "substrate_changed")]})
    assert isinstance(found, Effect)
    assert found.beside == 1
