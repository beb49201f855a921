"""All enclosures of the rack and their room, moved on by whoever asks for their air at a time."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from dewkeeper_demo.physics import Build, Climate, Room, Tub
from dewkeeper_demo.rack import PLACES, ROOM_PROBE

Deed = Callable[["World"], None]
STEP_SECONDS = 60.0


def _own(build: Build, dice: random.Random) -> Build:
    """Return the build with the small differences two tubs of one kind have; without them all would cycle in step."""
    return replace(
        build,
        day_c=build.day_c + dice.uniform(-0.3, 0.3),
        night_c=build.night_c + dice.uniform(-0.3, 0.3),
        heat_rise_c=build.heat_rise_c * dice.uniform(0.93, 1.07),
        heat_tau_hours=build.heat_tau_hours * dice.uniform(0.85, 1.15),
        vents_m3_per_hour=build.vents_m3_per_hour * dice.uniform(0.93, 1.07),
    )


@dataclass(order=True, slots=True)
class _Due:
    at: float
    deed: Deed = field(compare=False)


class World:
    """The simulated room from `start` (UTC seconds) on; the same seed and deeds give the same air.

    Several threads may ask: whoever asks first for a time moves everything there.
    """

    def __init__(self, start: float, zone: str, seed: int = 7, climate: Climate | None = None) -> None:
        dice = random.Random(seed)  # noqa: S311 - a repeatable series is wanted
        self._zone = ZoneInfo(zone)
        self._lock = threading.RLock()
        self._now = start
        self._due: list[_Due] = []
        self.room = Room(climate or Climate(), dice)
        # So that it has the air of its hour before the first tub is built on it.
        self.room.step(STEP_SECONDS, self._hour(start))
        self.tubs = {place.name: Tub(_own(place.build, dice), self.room, dice) for place in PLACES}
        self._room_noise = dice
        self._room_air = (self.room.temperature_c, self.room.humidity_percent)

    def at(self, when: float, deed: Deed) -> None:
        """Have something done at a time (UTC seconds); a time already passed is done with the next step."""
        with self._lock:
            self._due.append(_Due(when, deed))
            self._due.sort()

    def advance_to(self, when: float) -> None:
        """Move everything to a time; an earlier one than now changes nothing."""
        with self._lock:
            while True:
                # Up to the deed and no further: the air before it knows nothing of it.
                stop = min(when, self._due[0].at) if self._due else when
                self._flow(stop)
                if not self._due or self._due[0].at > when:
                    return
                self._due.pop(0).deed(self)

    def air(self, place: str, now: Callable[[], float]) -> Callable[[], tuple[float, float]]:
        """Return what a probe in `place` senses: a callable giving °C and %RH at the time `now` says."""

        def sense() -> tuple[float, float]:
            with self._lock:
                self.advance_to(now())
                return self.air_now(place)

        return sense

    def air_now(self, place: str) -> tuple[float, float]:
        """Return °C and %RH at a probe, where the world stands."""
        return self._room_air if place == ROOM_PROBE else self.tubs[place].probe_air()

    def _flow(self, until: float) -> None:
        while self._now < until:
            # Short steps whoever asks how rarely: the physics is integrated plainly.
            step = min(STEP_SECONDS, until - self._now)
            self._now += step
            hour = self._hour(self._now)
            self.room.step(step, hour)
            for tub in self.tubs.values():
                tub.step(step, hour, self.room)
            self._room_air = (
                self.room.temperature_c + self._room_noise.gauss(0.0, 0.013),
                self.room.humidity_percent + self._room_noise.gauss(0.0, 0.027),
            )

    def _hour(self, when: float) -> float:
        local = datetime.fromtimestamp(when, self._zone)
        return local.hour + local.minute / 60 + local.second / 3600
