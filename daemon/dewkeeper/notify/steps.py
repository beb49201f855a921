"""Who is told next of what stands: the ladder of people, away mode, reminders. Pure: memory and configuration only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal

from dewkeeper.judge.types import Alarm
from dewkeeper.notify.memory import Known, Memory
from dewkeeper.notify.people import ladder
from dewkeeper.notify.told import Happening
from dewkeeper_config.models import Config, Person

URGENT_REPEAT_SECONDS: Final = 3600
"""An urgent alarm that the whole ladder left unanswered is repeated to everybody this often."""


class Steps:
    """Asks the planner's memory; changes nothing of it but that an alarm was found urgent. now: UTC seconds."""

    def __init__(self, config: Config, memory: Memory) -> None:
        self._config = config
        self._memory = memory
        self._people = {person.name: person for person in config.person}

    def away(self, now: int) -> bool:
        """Whether away mode is on."""
        until = self._memory.away_until
        return until is not None and now < until

    def first(self, now: int) -> list[Person]:
        """Return who is told first."""
        return ladder(self._config, away=self.away(now))[0]

    def told(self, known: Iterable[Known]) -> list[Person]:
        """Return everybody who was told of these."""
        names = dict.fromkeys(name for one in known for name in one.people)
        return [self._people[name] for name in names if name in self._people]

    def untold(self, known: Known, now: int) -> list[Person]:
        """Return who comes next: of the first step of the ladder on which somebody does not know yet, those who do not."""
        for step in ladder(self._config, away=self.away(now)):
            if left := [person for person in step if person.name not in known.people]:
                return left
        return []

    def due(self, alarm: Alarm, now: int) -> Literal["unanswered", "reminded"] | None:
        """Return what time alone makes due for a standing alarm that people were told of."""
        known, notify = self._memory.alarms[alarm.alarm], self._config.notify
        elapsed = self._memory.elapsed(now)
        known.urgent = known.urgent or alarm.priority == "urgent"
        every = notify.remind_hours * 3600
        if alarm.priority == "urgent":
            if self.untold(known, now):
                return "unanswered" if elapsed - known.stepped >= notify.escalate_minutes * 60 else None
            every = min(every, URGENT_REPEAT_SECONDS)
        return "reminded" if elapsed - known.reminded >= every else None

    def whom(self, alarms: Sequence[Alarm], happening: Happening, now: int) -> list[Person]:
        """Return who is told that nobody answered, or is reminded."""
        known = [self._memory.alarms[alarm.alarm] for alarm in alarms]
        return self.untold(known[0], now) if happening == "unanswered" else self.told(known)

    def companions(self, alarm: Alarm, others: Iterable[Alarm], happening: Happening) -> list[Alarm]:
        """Return the alarm and those of its group that are as far, so that they are told with it."""
        remembered = self._memory.alarms
        known = remembered[alarm.alarm]

        def as_far(other: Alarm) -> bool:
            theirs = remembered[other.alarm]
            if known.group is None or (theirs.group, other.kind) != (known.group, alarm.kind):
                return False
            return happening != "unanswered" or (other.priority, theirs.people) == ("urgent", known.people)

        return [other for other in others if other is alarm or as_far(other)]
