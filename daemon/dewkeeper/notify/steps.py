"""Who is told next of what stands: the ladder of people, away mode, reminders. Pure: memory and configuration only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import Alarm
from dewkeeper.judge.words import EXCURSIONS
from dewkeeper.notify.people import ladder, quiet_until
from dewkeeper.notify.planner_state import Known, Memory
from dewkeeper.notify.told import Happening
from dewkeeper.notify.waiting import QUICK_SECONDS, SOON_SECONDS, next_morning
from dewkeeper_config.models import Config, Person

URGENT_REPEAT_SECONDS: Final = 3600
"""An urgent alarm that the whole ladder left unanswered is repeated to everybody this often."""


class Steps:
    """Asks the planner's memory; changes nothing of it but that an alarm was found urgent, or told with another. now: UTC seconds."""

    def __init__(self, config: Config, memory: Memory) -> None:
        self._config = config
        self._memory = memory
        self._people = {person.name: person for person in config.person}
        self._zone = ZoneInfo(config.site.timezone)

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
        elif not self._repeats(alarm, known, now):
            return None
        return "reminded" if elapsed - known.reminded >= every else None

    def _repeats(self, alarm: Alarm, known: Known, now: int) -> bool:
        """Whether what is not urgent is repeated by itself just now, and not by the morning message."""
        morning = next_morning(self._config, now, self._zone)
        if morning is None:
            return True
        if alarm.priority == "low" or alarm.within_seconds >= QUICK_SECONDS or morning - now <= SOON_SECONDS:
            return False
        return any(quiet_until(person, now, self._zone) is None for person in self.told([known]))

    def leading(self, alarms: Iterable[Alarm]) -> set[str]:
        """Return of each enclosure the one alarm that is repeated for all of them; what has none stands for itself."""
        lead: dict[str, Alarm] = {}
        for alarm in alarms:
            place = alarm.enclosure or alarm.alarm
            if place not in lead or _gravity(alarm) < _gravity(lead[place]):
                lead[place] = alarm
        return {alarm.alarm for alarm in lead.values()}

    def repeated(self, told: Sequence[Alarm], others: Iterable[Alarm], now: int) -> None:
        """Note that what stands beside these in their enclosures was told with them."""
        places = {alarm.enclosure for alarm in told if alarm.enclosure is not None}
        for alarm in others:
            if alarm.enclosure in places:
                self._memory.alarms[alarm.alarm].reminded = self._memory.elapsed(now)

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


def _gravity(alarm: Alarm) -> tuple[bool, bool, bool, int]:
    """Return what to sort the alarms of one enclosure by, the gravest first: what harms before what leads to it."""
    over = alarm.state == "returned_unacknowledged"
    return alarm.priority != "urgent", over, alarm.kind not in EXCURSIONS, alarm.raised
