"""The small drawings of a night, read back from their paths."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

from tests.report.situations import Tub, alarm, morning_of

from dewkeeper.report.glimpse import Glimpse
from dewkeeper.report.wording import Wording
from dewkeeper.store.slices import Slice
from dewkeeper.web.small_curve import TALL, WIDE, small_curves

VIENNA = Wording(ZoneInfo("Europe/Vienna"))
HALF = 1800


def corners(path: str) -> list[list[tuple[int, int]]]:
    """Return the corners of each closed shape of a relative path."""
    shapes = []
    for shape in path.split("Z")[:-1]:
        x, y, *steps = (int(n) for n in re.findall(r"-?\d+", shape))
        found = [(x, y)]
        for dx, dy in zip(steps[::2], steps[1::2], strict=True):
            x, y = x + dx, y + dy
            found.append((x, y))
        shapes.append(found)
    return shapes


def read(at: int, low: float, high: float, coldest: float, warmest: float) -> Slice:
    """Return a half hour of so much humidity and temperature."""
    return Slice(at, HALF, 1, low, low, high, coldest, coldest, warmest, 1)


def night(**slices: list[Slice]) -> Glimpse:
    """Return a glimpse of twenty half hours."""
    return Glimpse(0, 20 * HALF, HALF, 0, 20 * HALF, slices)


def test_all_drawings_of_a_quantity_share_one_scale_and_say_it() -> None:
    """28 % in one tub and 60 % in another lie where one scale of round ends has them, and the words name its ends."""
    glance, _ = morning_of({"T1": Tub(humidity=60), "T2": Tub(humidity=28, low=28)})
    air = {
        "T1": [read(n * HALF, 60, 62, 28, 28) for n in range(20)],
        "T2": [read(n * HALF, 28, 30, 28, 28) for n in range(20)],
    }
    made = small_curves(glance.enclosures, night(**air), VIENNA)
    assert "20–80 %" in made.words
    for name, low, high in (("T1", 60, 62), ("T2", 28, 30)):
        (shape,) = corners(re.findall(r'class="air" d="([^"]+)"', made.drawn[name])[0])
        assert {y for _, y in shape} == {80 - high, 80 - low}  # sixty units for sixty per cent
        assert all(0 <= x <= WIDE and 0 <= y <= TALL for x, y in shape)
        assert len(shape) == 40
    assert re.findall(r'class="target" d="M0 (\d+)H120V(\d+)H', made.drawn["T1"]) == [("10", "20")]


def test_what_was_not_measured_is_hatched_and_nothing_drawn_through_it() -> None:
    """Five half hours missing: two shapes and one hatched stretch between them, from end to end."""
    glance, _ = morning_of({"T1": Tub()})
    air = [read(n * HALF, 64, 65, 28, 28) for n in range(20) if not 5 <= n < 10]
    drawn = small_curves(glance.enclosures, night(T1=air), VIENNA).drawn["T1"]
    left, right = corners(re.findall(r'class="air" d="([^"]+)"', drawn)[0])
    assert max(x for x, _ in left) < 5 * 6 < 10 * 6 < min(x for x, _ in right)
    assert re.findall(r'class="missed" fill="url\(#hatch\)" d="M(\d+) 0H(\d+)V', drawn) == [("30", "60")]


def test_an_enclosure_that_nobody_read_is_hatched_all_over() -> None:
    """No slice at all: hatched from the first moment there was something to watch, and no curve and no dot."""
    glance, _ = morning_of({"T1": Tub(ago=None)})
    seen = Glimpse(0, 20 * HALF, HALF, 10 * HALF, 20 * HALF, {"T1": []})
    drawn = small_curves(glance.enclosures, seen, VIENNA).drawn["T1"]
    assert 'd="M60 0H120V60H60Z"' in drawn
    assert "air" not in drawn
    assert "dot" not in drawn


def test_where_heat_is_the_trouble_temperature_is_drawn() -> None:
    """A tub at 41 °C shows its temperature between its limits, and the words say which scale that is."""
    glance, _ = morning_of({"T1": Tub(temperature=41, alarms=[alarm("hot", 1)]), "T2": Tub()})
    air = [read(n * HALF, 50, 60, 28 + n / 2, 29 + n / 2) for n in range(20)]
    made = small_curves(glance.enclosures, night(T1=air, T2=air), VIENNA)
    assert "20–45 °C where that is the trouble" in made.words.replace("\u00a0", " ")
    assert "target" not in made.drawn["T1"]
    assert "target" in made.drawn["T2"]
