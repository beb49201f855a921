"""What happens to the invented rack: a week of ordinary care, and the night that is played.

Times are local, as a keeper would tell them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dewkeeper_demo.physics import BOWL_LAST_GRAMS
from dewkeeper_demo.rack import DRY_TUB, HOT_TUB, MISTED_TUB, PLACES, UNPLUGGED_TUB
from dewkeeper_demo.world import World

EVENING, MORNING = time(18, 0), time(8, 5)
KEEPER, NEIGHBOUR = "Runa", "Ode"


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the journal, in the daemon's words."""

    when: float
    enclosure: str
    what: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """One moment of the night. `journal`: (enclosure, word, detail); `unplug`: whose probe loses its plug."""

    at: time
    told: str
    deed: Callable[[World], None] | None = None
    journal: tuple[str, str, str] | None = None
    unplug: str | None = None
    acknowledge: str | None = None


def _mist(world: World) -> None:
    world.tubs[MISTED_TUB].mist()


def _empty_bowl(world: World) -> None:
    world.tubs[DRY_TUB].bowl_grams = BOWL_LAST_GRAMS / 2


def _stick(world: World) -> None:
    world.tubs[HOT_TUB].heater_stuck = True


def _mend(world: World) -> None:
    world.tubs[HOT_TUB].heater_stuck = None


NIGHT = (
    Scene(time(18, 5), f"{DRY_TUB}'s bowl is running dry. Nobody has seen it.", _empty_bowl),
    Scene(
        time(19, 30),
        f"{KEEPER} mists {MISTED_TUB} and says so in the journal.",
        _mist,
        (MISTED_TUB, "misted", "evening round"),
    ),
    Scene(time(21, 30), f"The plug of {UNPLUGGED_TUB}'s probe slips out.", unplug=UNPLUGGED_TUB),
    Scene(time(22, 0), f"{KEEPER} goes to bed. From now on only urgent messages pass."),
    Scene(time(2, 20), f"The thermostat of {HOT_TUB} sticks: its heater stays on.", _stick),
    Scene(
        time(3, 50),
        f"{NEIGHBOUR} has rung the bell. {KEEPER} acknowledges, and swaps {HOT_TUB}'s thermostat.",
        _mend,
        (HOT_TUB, "heater_changed", "thermostat swapped"),
        acknowledge=HOT_TUB,
    ),
)  # fmt: skip


def local(day: date, at: time, zone: str) -> float:
    """Return a local time of a day as UTC seconds."""
    return datetime.combine(day, at, ZoneInfo(zone)).timestamp()


def moment(evening: date, at: time, zone: str) -> float:
    """Return the UTC seconds of a local time in the night that begins on the given evening."""
    return local(evening if at >= EVENING else evening + timedelta(days=1), at, zone)


def last_night(now: float, zone: str) -> date:
    """Return the evening of the last night that is over by `now` (UTC seconds)."""
    day = datetime.fromtimestamp(now, ZoneInfo(zone)).date()
    while moment(day, MORNING, zone) > now:
        day -= timedelta(days=1)
    return day


def week(world: World, evening: date, zone: str, days: int) -> Iterator[Entry]:
    """Have the rack cared for in the days before an evening; yields what the keeper notes, in order of time."""
    for place in PLACES:
        if place.animal and days:
            yield Entry(local(evening - timedelta(days=days), EVENING, zone), place.name, "moved_in", place.animal)
    for back in range(days, 0, -1):
        day = evening - timedelta(days=back)
        noted = [
            (time(18, 30), place.name, "misted", _spray(place.name))
            for n, place in enumerate(PLACES)
            # Not the tub that is to run dry, and no egg box, which is not sprayed; half of the others by turns.
            if place.kind != "egg_box" and place.name != DRY_TUB and (n + back) % 2 == 0
        ]
        if back in (2, 5):
            noted += [(time(19, 0), place.name, "refilled", _refill(place.name)) for place in PLACES[:-1]]
        for at, enclosure, what, deed in noted:
            when = local(day, at, zone)
            world.at(when, deed)
            yield Entry(when, enclosure, what)


def _spray(name: str) -> Callable[[World], None]:
    return lambda world: world.tubs[name].mist()


def _refill(name: str) -> Callable[[World], None]:
    return lambda world: world.tubs[name].refill()
