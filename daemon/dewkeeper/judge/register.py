"""The alarm register: every alarm that stands, is withheld or waits to be seen, and the events about them.

At most one alarm of a kind stands in a place. A place is an enclosure, a room, a branch of the wiring or a part of the
service. Times are elapsed seconds; `wall` turns them into stored time.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.lifecycle import WITHHELD, WITHHOLD, AlarmInstance
from dewkeeper.judge.types import Alarm, Event, Happening, Kind, State
from dewkeeper.judge.words import FORECASTS, KINDS, LATCHED, STALE_SECONDS

if TYPE_CHECKING:
    from dewkeeper.judge.contract import Stands

# Ids follow from it and from what came in, so a replay names the same thing alike: it never changes.
_NAMES: Final = uuid.UUID("6b0c6b1e-6f0e-5c57-9a56-0f7f6a5f2a11")
_FORGET_SECONDS: Final = 7 * 86400
"""Common practice, no source."""

Place = str
Key = tuple[Place, Kind]


@remembered
class AlarmRegister:
    """See the module. `steps`: (elapsed time, wall minus elapsed before it) of every clock step, oldest first.

    `named`: what the last alarms were named after.
    """

    instances: dict[Key, AlarmInstance] = field(default_factory=dict)
    shelved: dict[Key, int] = field(default_factory=dict)
    suppressed: dict[Key, int] = field(default_factory=dict)
    out_of_service: dict[Place, int] = field(default_factory=dict)
    shift: int = 0
    named: list[str] = field(default_factory=list)
    steps: list[tuple[int, int]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

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
        instance = self.standing(key)
        if instance is not None:
            instance.amend(cause, response, detail)

    def reword(self, key: Key, now: int, cause: str, response: str) -> None:
        """Say anew why an alarm stands and what to do: for whoever looks, it is no message of its own."""
        instance = self.standing(key)
        if instance is None:
            return
        response = response or KINDS[instance.kind].response
        if (instance.cause, instance.response) != (cause, response):
            instance.amend(cause, response)
            self.annotate(key, now, f"the reason now: {cause}")

    def standing(self, key: Key) -> AlarmInstance | None:
        """Return an alarm whose condition holds now, None where it does not."""
        instance = self.instances.get(key)
        return instance if instance is not None and instance.stands else None

    def withheld(self, key: Key, now: int) -> State | None:
        """Return why an alarm would not be told now, or None."""
        if key[0] in self.out_of_service:
            return "out_of_service"
        if self.shelved.get(key, -1) > now:
            return "shelved"
        if self.suppressed.get(key, -1) > now:
            return "suppressed"
        return None

    def raise_(
        self, key: Key, now: int, found: Stands, *, holder: str, enclosure: str | None, probe: str | None
    ) -> None:  # fmt: skip
        """Let a condition stand: raise its alarm, or join the one that stands, or escalate it."""
        (place, kind), row = key, KINDS[key[1]]
        instance = self.instances.get(key)
        if instance is None or not instance.stands:
            if instance is not None:
                why = "it came back before anybody saw it: the newer alarm stands for both"
                self._apply(instance, "forget", now, why=why)
            name = f"{place}|{probe or ''}|{kind}|{found.since}|{now}"
            again = self.named.count(name)  # over and back within one second is another alarm
            # A name holds the second it was given in, so no more are kept than alarms begin within one.
            self.named = [*self.named[-63:], name]
            alarm = str(uuid.uuid5(_NAMES, f"{name}|{again}" if again else name))
            instance = AlarmInstance(alarm, kind, place, enclosure, probe, found.band, found.since)
            self.instances[key] = instance
            instance.say(row, found)
            instance.begin(holder, now, latched=kind in LATCHED)
            withheld = self.withheld(key, now)
            self._apply(instance, WITHHOLD[withheld] if withheld else "raise", now)
            return
        instance.hold(holder)
        worse = found.band == "tolerable" and instance.band == "target"
        if worse or found.escalates:
            instance.say(row, found)
            # What was seen was milder. That it is worse is told below, once.
            if instance.state == "acknowledged":
                instance.apply("realarm", now)
            if instance.told:
                self.tell(instance, "escalated", now)

    def ease(self, key: Key, now: int, limit: float) -> None:
        """An alarm beyond tolerable is beyond target only: it stands, milder, and may escalate again."""
        instance = self.standing(key)
        if instance is not None and instance.band == "tolerable":
            instance.ease(KINDS[instance.kind], limit)
            if instance.told:
                self.tell(instance, "annotated", now, why="back inside tolerable, still outside target")

    def clear(self, key: Key, now: int, holder: str | None = None, why: str = "") -> None:
        """A condition is over for one holder; the alarm is over when it is over for all (None: at once).

        Of a forecast that came true or did not nothing is left to be seen.
        """
        instance = self.standing(key)
        if instance is None or instance.held_without(holder):
            return
        self._apply(instance, "clear", now, why=why)
        if instance.kind in FORECASTS and instance.state == "returned_unacknowledged":
            self._apply(instance, "forget", now, why=why)
        if instance.state == "normal":
            del self.instances[key]

    def withhold(self, keys: Iterable[Key], now: int, who: str = "", why: str = "") -> None:
        """Bring standing alarms into the state their place or kind is now withheld by."""
        for key in keys:
            instance = self.standing(key)
            state = self.withheld(key, now)
            if instance is not None and state is not None and instance.state != state:
                self._apply(instance, WITHHOLD[state], now, who, why)

    def release(self, keys: Iterable[Key], now: int, who: str = "", why: str = "") -> None:
        """End withholding where nothing withholds any more; tell what still stands."""
        for key in keys:
            instance = self.instances.get(key)
            if instance is None or instance.state not in WITHHELD:
                continue
            state = self.withheld(key, now)
            if state is None:
                self._apply(instance, "release", now, who, why)
            elif state != instance.state:
                instance.withhold_as(state)

    def acknowledge(self, alarm: str, now: int, who: str, why: str) -> None:
        """Somebody saw it."""
        for key, instance in list(self.instances.items()):
            if instance.id == alarm:
                self._apply(instance, "acknowledge", now, who, why)
                if instance.state == "normal":
                    del self.instances[key]

    def realarm(self, key: Key, now: int) -> None:
        """Acknowledged long ago and not cured: it comes back."""
        self._apply(self.instances[key], "realarm", now)

    def annotate(self, key: Key, now: int, why: str) -> None:
        """Add to an alarm what became known later."""
        instance = self.instances.get(key)
        if instance is not None and instance.told:
            self.tell(instance, "annotated", now, why=why)

    def forget(self, now: int) -> None:
        """Let go of what returned, was told and stayed unseen for a week; heat waits until it is seen."""
        for key, instance in list(self.instances.items()):
            if not instance.stands and not instance.latched and now - instance.returned >= _FORGET_SECONDS:
                self._apply(instance, "forget", now, why="over for a week, and nobody saw it")
                del self.instances[key]

    def _apply(self, instance: AlarmInstance, trigger: str, now: int, who: str = "", why: str = "") -> None:
        told_before = instance.told
        happening = instance.apply(trigger, now)
        # A suppression of something never told is recorded; acknowledging or clearing it would confuse.
        if happening is None or (not told_before and happening in ("acknowledged", "cleared")):
            return
        self.tell(instance, happening, now, who, why)

    def tell(self, instance: AlarmInstance, happening: Happening, now: int, who: str = "", why: str = "") -> None:
        """Add an event about an alarm."""
        if happening in ("raised", "escalated"):
            instance.ask(now)
        name = f"{instance.id}|{instance.count()}|{happening}"
        detail = dict(instance.detail)
        end = self._withheld_until(instance)
        if end is not None:
            detail["until"] = self.wall(end)
        self.events.append(
            Event(
                id=str(uuid.uuid5(_NAMES, name)), alarm=instance.id, time=self.wall(now), event=happening, kind=instance.kind,
                enclosure=instance.enclosure, probe=instance.probe, band=instance.band, priority=instance.priority, state=instance.state,
                since=self.wall(instance.since), cause=instance.cause, consequence=instance.consequence, response=instance.response,
                within_seconds=instance.within, value=instance.value, limit=instance.limit, who=who, why=why,
                detail=detail,
            )
        )  # fmt: skip

    def _withheld_until(self, instance: AlarmInstance) -> int | None:
        """Return when the withholding of an alarm ends, for out of service when it is to be reviewed; None if it is told."""
        match instance.state:
            case "shelved":
                return self.shelved.get((instance.place, instance.kind))
            case "suppressed":
                return self.suppressed.get((instance.place, instance.kind))
            case "out_of_service":
                return self.out_of_service.get(instance.place)
            case _:
                return None

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal, those withheld too."""
        return tuple(
            Alarm(
                alarm=instance.id, kind=instance.kind, enclosure=instance.enclosure, probe=instance.probe, band=instance.band,
                priority=instance.priority, state=instance.state, since=self.wall(instance.since), raised=self.wall(instance.raised),
                latched=instance.latched,
                shelved_until=self.wall(self.shelved[key]) if instance.state == "shelved" and key in self.shelved else None,
                value=instance.value, limit=instance.limit, cause=instance.cause, consequence=instance.consequence,
                response=instance.response, within_seconds=instance.within, detail=dict(instance.detail),
                asked=self.wall(instance.asked),
            )
            for key, instance in self.instances.items()
        )  # fmt: skip

    def stale(self, now: int) -> list[AlarmInstance]:
        """Return what has stood told for over a day: what one stops seeing."""
        return [
            instance
            for instance in self.instances.values()
            if instance.told and instance.stands and now - instance.raised > STALE_SECONDS
        ]
