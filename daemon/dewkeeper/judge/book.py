"""The book of alarms: every alarm that stands, is withheld or waits to be seen, and the events about them.

At most one alarm of a kind stands in a place. A place is an enclosure, a room, a branch of the wiring or a part of the
service. Times are elapsed seconds; `wall` turns them into stored time.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from typing import Final

from dewkeeper.judge.codec import remembered
from dewkeeper.judge.lifecycle import WITHHELD, WITHHOLD, Life
from dewkeeper.judge.types import Alarm, Band, Event, Happening, Kind, Priority, State
from dewkeeper.judge.words import FORECASTS, KINDS, LATCHED, STALE_SECONDS

_NAMES: Final = uuid.UUID("6b0c6b1e-6f0e-5c57-9a56-0f7f6a5f2a11")
_FORGET_SECONDS: Final = 7 * 86400

Place = str
Key = tuple[Place, Kind]


@remembered
class Book:
    """See the module. `steps`: (elapsed time, wall minus elapsed before it) of every clock step, oldest first.

    `named`: what the last alarms were named after.
    """

    __slots__ = ("events", "lives", "named", "quiet", "removed", "shelf", "shift", "steps")

    def __init__(self) -> None:
        self.lives: dict[Key, Life] = {}
        self.shelf: dict[Key, int] = {}
        self.quiet: dict[Key, int] = {}
        self.removed: dict[Place, int] = {}
        self.shift = 0
        self.named: list[str] = []
        self.steps: list[tuple[int, int]] = []
        self.events: list[Event] = []

    def wall(self, elapsed: int) -> int:
        """Return the stored time of an elapsed one: by the shift that was in force then."""
        for at, before in self.steps:
            if elapsed < at:
                return elapsed + before
        return elapsed + self.shift

    def step(self, now: int, seconds: int) -> None:
        """The wall clock was stepped."""
        self.steps = [*self.steps[-99:], (now, self.shift)]
        self.shift += seconds

    def amend(self, key: Key, detail: Mapping[str, str | float | int], cause: str = "", response: str = "") -> None:
        """Bring figures, and words, of a standing alarm up to date; nothing is told of it."""
        life = self.lives.get(key)
        if life is not None and life.stands:
            life.detail |= detail
            life.cause, life.response = cause or life.cause, response or life.response

    def reword(self, key: Key, now: int, cause: str, response: str) -> None:
        """Say anew why an alarm stands and what to do: for whoever looks, it is no message of its own."""
        life = self.lives.get(key)
        if life is None or not life.stands:
            return
        response = response or KINDS[life.kind].response
        if (life.cause, life.response) != (cause, response):
            life.cause, life.response = cause, response
            self.annotate(key, now, f"the reason now: {cause}")

    def stands(self, key: Key) -> bool:
        """Return whether the condition of this alarm holds now."""
        life = self.lives.get(key)
        return life is not None and life.stands

    def withheld(self, key: Key, now: int) -> State | None:
        """Return why an alarm would not be told now, or None."""
        if key[0] in self.removed:
            return "out_of_service"
        if self.shelf.get(key, -1) > now:
            return "shelved"
        if self.quiet.get(key, -1) > now:
            return "suppressed"
        return None

    def raise_(
        self,
        key: Key,
        now: int,
        *,
        since: int,
        enclosure: str | None,
        probe: str | None,
        holder: str,
        band: Band | None = None,
        priority: Priority | None = None,
        value: float | None = None,
        limit: float | None = None,
        cause: str = "",
        consequence: str = "",
        response: str = "",
        detail: dict[str, str | float | int] | None = None,
        escalates: bool = False,
    ) -> Life:
        """Let a condition stand: raise its alarm, or join the one that stands, or escalate it."""
        place, kind = key
        life = self.lives.get(key)
        if life is None or not life.stands:
            if life is not None:
                self._apply(
                    life, "forget", now, why="it came back before anybody saw it: the newer alarm stands for both"
                )
            name = f"{place}|{probe or ''}|{kind}|{since}|{now}"
            again = self.named.count(name)  # over and back within one second is another alarm
            self.named = [*self.named[-63:], name]
            life = Life(
                str(uuid.uuid5(_NAMES, f"{name}|{again}" if again else name)),
                kind,
                place,
                enclosure,
                probe,
                band,
                since,
            )
            self.lives[key] = life
            self._say(life, now, band, priority, value, limit, cause, consequence, response, detail)
            life.raised = now
            life.latched = kind in LATCHED
            life.holders.add(holder)
            withheld = self.withheld(key, now)
            self._apply(life, WITHHOLD[withheld] if withheld else "raise", now)
            return life
        life.holders.add(holder)
        worse = band == "tolerable" and life.band == "target"
        if worse or escalates:
            self._say(life, now, band, priority, value, limit, cause, consequence, response, detail)
            if life.state == "acknowledged":
                life.apply("realarm", now)
            if life.told:
                self.tell(life, "escalated", now)
        return life

    def _say(
        self,
        life: Life,
        now: int,
        band: Band | None,
        priority: Priority | None,
        value: float | None,
        limit: float | None,
        cause: str,
        consequence: str,
        response: str,
        detail: dict[str, str | float | int] | None,
    ) -> None:
        row = KINDS[life.kind]
        life.band = band
        life.priority = priority or row.priority_for(band)
        life.value, life.limit = value, limit
        life.cause = cause or row.cause
        life.consequence = consequence or row.consequence
        life.response = response or row.response
        life.within = row.within_for(band)
        life.detail = dict(detail or {})

    def ease(self, key: Key, now: int) -> None:
        """An alarm beyond tolerable is beyond target only: it stands, milder, and may escalate again."""
        life = self.lives.get(key)
        if life is not None and life.stands and life.band == "tolerable":
            row = KINDS[life.kind]
            life.band, life.priority, life.within = (
                "target",
                row.priority_for("target"),
                row.within_for("target"),
            )
            if life.told:
                self.tell(life, "annotated", now, why="back inside tolerable, still outside target")

    def clear(self, key: Key, now: int, holder: str | None = None, why: str = "") -> None:
        """A condition is over for one holder; the alarm is over when it is over for all (None: at once).

        Of a forecast that came true or did not nothing is left to be seen.
        """
        life = self.lives.get(key)
        if life is None or not life.stands:
            return
        if holder is not None:
            life.holders.discard(holder)
            if life.holders:
                return
        life.holders.clear()
        self._apply(life, "clear", now, why=why)
        if life.kind in FORECASTS and life.state == "returned_unacknowledged":
            self._apply(life, "forget", now, why=why)
        if life.state == "normal":
            del self.lives[key]

    def withhold(self, keys: Iterable[Key], now: int, who: str = "", why: str = "") -> None:
        """Bring standing alarms into the state their place or kind is now withheld by."""
        for key in keys:
            life = self.lives.get(key)
            state = self.withheld(key, now)
            if life is not None and life.stands and state is not None and life.state != state:
                self._apply(life, WITHHOLD[state], now, who, why)

    def release(self, keys: Iterable[Key], now: int, who: str = "", why: str = "") -> None:
        """End withholding where nothing withholds any more; tell what still stands."""
        for key in keys:
            life = self.lives.get(key)
            if life is None or life.state not in WITHHELD:
                continue
            state = self.withheld(key, now)
            if state is None:
                self._apply(life, "release", now, who, why)
            elif state != life.state:
                life.state = state

    def acknowledge(self, alarm: str, now: int, who: str, why: str) -> None:
        """Somebody saw it."""
        for key, life in list(self.lives.items()):
            if life.id == alarm:
                self._apply(life, "acknowledge", now, who, why)
                if life.state == "normal":
                    del self.lives[key]

    def realarm(self, key: Key, now: int) -> None:
        """Acknowledged long ago and not cured: it comes back."""
        self._apply(self.lives[key], "realarm", now)

    def annotate(self, key: Key, now: int, why: str) -> None:
        """Add to an alarm what became known later."""
        life = self.lives.get(key)
        if life is not None and life.told:
            self.tell(life, "annotated", now, why=why)

    def forget(self, now: int) -> None:
        """Let go of what returned, was told and stayed unseen for a week; heat waits until it is seen."""
        for key, life in list(self.lives.items()):
            if not life.stands and not life.latched and now - life.returned >= _FORGET_SECONDS:
                self._apply(life, "forget", now, why="over for a week, and nobody saw it")
                del self.lives[key]

    def _apply(self, life: Life, trigger: str, now: int, who: str = "", why: str = "") -> None:
        told_before = life.told
        happening = life.apply(trigger, now)
        # A suppression of something never told is recorded; acknowledging or clearing it would confuse.
        if happening is None or (not told_before and happening in ("acknowledged", "cleared")):
            return
        self.tell(life, happening, now, who, why)

    def tell(self, life: Life, happening: Happening, now: int, who: str = "", why: str = "") -> None:
        """Add an event about an alarm."""
        life.number += 1
        name = f"{life.id}|{life.number}|{happening}"
        detail = dict(life.detail)
        end = self._withheld_until(life)
        if end is not None:
            detail["until"] = self.wall(end)
        self.events.append(
            Event(
                id=str(uuid.uuid5(_NAMES, name)), alarm=life.id, time=self.wall(now), event=happening, kind=life.kind,
                enclosure=life.enclosure, probe=life.probe, band=life.band, priority=life.priority, state=life.state,
                since=self.wall(life.since), cause=life.cause, consequence=life.consequence, response=life.response,
                within_seconds=life.within, value=life.value, limit=life.limit, who=who, why=why,
                detail=detail,
            )
        )  # fmt: skip

    def _withheld_until(self, life: Life) -> int | None:
        """Return when the withholding of an alarm ends, for out of service when it is to be reviewed; None if it is told."""
        match life.state:
            case "shelved":
                return self.shelf.get((life.place, life.kind))
            case "suppressed":
                return self.quiet.get((life.place, life.kind))
            case "out_of_service":
                return self.removed.get(life.place)
            case _:
                return None

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal, those withheld too."""
        return tuple(
            Alarm(
                alarm=life.id, kind=life.kind, enclosure=life.enclosure, probe=life.probe, band=life.band,
                priority=life.priority, state=life.state, since=self.wall(life.since), raised=self.wall(life.raised),
                latched=life.latched,
                shelved_until=self.wall(self.shelf[key]) if life.state == "shelved" and key in self.shelf else None,
                value=life.value, limit=life.limit, cause=life.cause, consequence=life.consequence,
                response=life.response, within_seconds=life.within, detail=dict(life.detail),
            )
            for key, life in self.lives.items()
        )  # fmt: skip

    def stale(self, now: int) -> list[Life]:
        """Return what has stood told for over a day: what one stops seeing."""
        return [life for life in self.lives.values() if life.told and life.stands and now - life.raised > STALE_SECONDS]
