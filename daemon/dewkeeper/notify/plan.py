"""The planner: from events to the rows of the outbox. Pure: no clock, no store, no network.

What it must remember (who was told what, open groups, the day's count) is `state()`, stored with the messages it led
to, so that a restart neither repeats nor forgets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import Alarm, Command, Event, JournalEntry
from dewkeeper.notify import links, words
from dewkeeper.notify.daily import morning_draft, morning_due, nag_draft, overdue_paths, path_name, test_draft
from dewkeeper.notify.grouping import Telling, Where, tellings, together
from dewkeeper.notify.memory import Budget, Known, Memory
from dewkeeper.notify.people import Draft, address, ladder
from dewkeeper.notify.told import Happening, Told
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message
from dewkeeper_config.models import Config, Person

URGENT_REPEAT_SECONDS: Final = 3600
"""An urgent alarm that the whole ladder left unanswered is repeated to everybody this often."""
_OPEN: Final = ("unacknowledged", "returned_unacknowledged")
_LEAP_SECONDS: Final = 86400
_MOST_KNOWN: Final = 4096


def _no_journal(enclosure: str | None) -> Sequence[JournalEntry]:
    return ()


@dataclass(frozen=True, slots=True)
class Context:
    """What words need besides the event.

    journal: the last entries about an enclosure, oldest first. base_url: how phones reach the page.
    recorded: whether the store takes things just now. link_key: key of acknowledge links, None for no links.
    morning: makes first line and text of the morning message; called once a day, may read history.
    """

    zone: ZoneInfo
    units: Literal["celsius", "fahrenheit"] = "celsius"
    base_url: str | None = None
    recorded: bool = True
    journal: Callable[[str | None], Sequence[JournalEntry]] = _no_journal
    link_key: str | None = None
    morning: Callable[[], tuple[str, Sequence[str]]] | None = None

    @property
    def wording(self) -> Wording:
        """How this site wants numbers shown."""
        return Wording(self.zone, self.units == "fahrenheit")


class Planner:
    """Turns events into messages. Used by the writer thread alone. state: what `state()` gave before a restart."""

    def __init__(self, config: Config, state: str | None) -> None:
        self._config = config
        self._memory = Memory.load(state)
        self._stored = state
        self._people = {person.name: person for person in config.person}
        self._where = Where.of(config)
        self._last_tick: int | None = None
        self._announced: list[Draft] = []
        self._wanted: list[tuple[str, str, str]] = []  # path tests asked for: person, channel, id

    def plan(self, events: Sequence[Event], alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return the rows these events lead to; alarms: all that stand after them. now: UTC seconds."""
        planned: list[Message] = []
        planned += self._tests(now, context)
        for event in events:
            self._note(event, now)
        for telling in tellings(events, self._memory, self._where, now):
            planned += self._tell(telling, now, context)
        return self._counted(planned, now, context)

    def tick(self, alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return what time alone makes due: the next person for unanswered urgent alarms, reminders of standing ones."""
        planned: list[Message] = []
        waiting = {a.alarm: a for a in alarms if a.alarm in self._memory.alarms and a.state in _OPEN}
        while waiting:
            alarm = next(iter(waiting.values()))
            happening = self._due(alarm, now)
            # What was told together is repeated together: a frost is not twenty reminders.
            together = self._companions(alarm, waiting.values(), happening) if happening else [alarm]
            if happening:
                planned += self._step(together, happening, now, context)
            for done in together:
                del waiting[done.alarm]
        return self._counted(planned + self._daily(now, context), now, context)

    def heed(self, command: Command) -> None:
        """Take note of an order that is about telling: away, back, path_test and path_confirmed (who, why=channel)."""
        match command.verb:
            case "away" | "back":
                self.away(command.until if command.verb == "away" else None)
            case "path_test":
                self._wanted.append((command.who, command.why, command.id))
            case "path_confirmed":
                self._memory.confirmed[path_name(command.who, command.why)] = command.time

    def announce(self, draft: Draft) -> None:
        """Tell everybody who is told first something that is no alarm, with the next tick."""
        self._announced.append(draft)

    def away(self, until: int | None) -> None:
        """Turn away mode on until then (UTC seconds), or off."""
        self._memory.away_until = until

    def state(self) -> str | None:
        """Return what must be stored now, or None if it is what was last returned."""
        text = self._memory.dump()
        if text == self._stored:
            return None
        self._stored = text
        return text

    def _tests(self, now: int, context: Context) -> list[Message]:
        """Return the real message of every path test that was asked for."""
        wanted, self._wanted = self._wanted, []
        rows: list[Message] = []
        for name, channel, identity in wanted:
            person = self._people.get(name)
            if person is None or channel not in person.channels:
                continue
            ack = self._ack_link(_page(context), path_name(name, channel), name, now, context)
            draft = test_draft(name, channel, identity, ack)
            rows += address(draft, person, now, context.zone, only_channel=channel)
        return rows

    def _daily(self, now: int, context: Context) -> list[Message]:
        """Return the morning message and the reminder to test the ways, when they are due."""
        memory, rows = self._memory, []
        for said in self._announced:
            for person in ladder(self._config, away=self._away(now))[0]:
                rows += address(said, person, now, context.zone)
        self._announced = []
        leapt = self._last_tick is not None and abs(now - self._last_tick) > _LEAP_SECONDS
        self._last_tick = now
        if memory.paths_from is None or leapt:
            memory.paths_from = now  # days a stepped clock skipped have not passed
        day = morning_due(self._config, memory.done, now, context.zone)
        if day is not None and context.morning is not None:
            memory.done["morning"] = day
            draft = morning_draft(day, context.morning(), _page(context))
            # The keeper wants to know that all is well also while away; the sitter then needs the list as well.
            steps = ladder(self._config, away=False)[:1] + ladder(self._config, away=self._away(now))[:1]
            for person in {p.name: p for step in steps for p in step}.values():
                rows += address(draft, person, now, context.zone)
        since = max(memory.paths_from, min(now, int(memory.done.get("nag", "0"))))
        for name, channels in overdue_paths(self._config, memory.confirmed, since, now).items():
            memory.done["nag"] = str(now)
            draft = nag_draft(self._people[name], channels, self._config.notify.path_test_days, now)
            rows += address(draft, self._people[name], now, context.zone)
        return rows

    def _note(self, event: Event, now: int) -> None:
        """Remember what an event changes about reminding."""
        known = self._memory.alarms.get(event.alarm)
        if known is None:
            return
        if event.event in ("acknowledged", "unshelved", "unsuppressed", "in_service"):
            # From here on "unanswered" is counted anew.
            known.reminded = known.stepped = now
        if event.event == "escalated" and event.priority == "urgent" and not known.urgent:
            known.urgent, known.stepped = True, now

    def _tell(self, telling: Telling, now: int, context: Context) -> list[Message]:
        told = replace(telling.told, recorded=context.recorded)
        known = self._memory.alarms.get(telling.alarm)
        steps = ladder(self._config, away=self._away(now))
        if told.happening in ("cleared", "annotated"):
            if known is None:
                return []  # never told, so nothing to take back
            people = [self._people[name] for name in known.people if name in self._people]
        else:
            level = known.level if known is not None else 0
            people = [person for step in steps[: level + 1] for person in step]
        for alarm in telling.alarms:
            self._remember(alarm, told, people, telling.group, now)
        return self._rows(telling, told, people, now, context)

    def _remember(self, alarm: str, told: Told, people: Sequence[Person], group: str | None, now: int) -> None:
        if told.happening == "cleared":
            self._memory.alarms.pop(alarm, None)
            return
        known = self._memory.alarms.get(alarm)
        if known is None:
            known = Known(told=now, reminded=now, stepped=now, urgent=told.priority == "urgent")
            self._memory.alarms[alarm] = known
            while len(self._memory.alarms) > _MOST_KNOWN:
                del self._memory.alarms[next(iter(self._memory.alarms))]
        known.reminded = now
        known.group = group or known.group
        known.people = sorted({*known.people, *(person.name for person in people)})

    def _due(self, alarm: Alarm, now: int) -> Literal["unanswered", "reminded"] | None:
        """Return what time alone makes due for a standing alarm that people were told of."""
        known, notify = self._memory.alarms[alarm.alarm], self._config.notify
        known.urgent = known.urgent or alarm.priority == "urgent"
        every = notify.remind_hours * 3600
        if alarm.priority == "urgent":
            if known.level + 1 < len(ladder(self._config, away=self._away(now))):
                return "unanswered" if now - known.stepped >= notify.escalate_minutes * 60 else None
            every = min(every, URGENT_REPEAT_SECONDS)
        return "reminded" if now - known.reminded >= every else None

    def _companions(self, alarm: Alarm, others: Iterable[Alarm], happening: Happening) -> list[Alarm]:
        """Return the alarm and those of its group that are as far, so that they are told with it."""
        known, remembered = self._memory.alarms[alarm.alarm], self._memory.alarms
        return [
            other
            for other in others
            if other is alarm
            or (
                known.group is not None
                and (remembered[other.alarm].group, other.kind) == (known.group, alarm.kind)
                and (happening == "reminded" or (other.priority, remembered[other.alarm].level) == ("urgent", known.level))
            )
        ]

    def _step(
        self, alarms: Sequence[Alarm], happening: Literal["unanswered", "reminded"], now: int, context: Context
    ) -> list[Message]:
        known = [self._memory.alarms[alarm.alarm] for alarm in alarms]
        names = dict.fromkeys(name for one in known for name in one.people)
        people = [self._people[name] for name in names if name in self._people]
        if happening == "unanswered":
            people = ladder(self._config, away=self._away(now))[known[0].level + 1]
        for one in known:
            one.reminded = now
            if happening == "unanswered":
                one.level += 1
                one.stepped = now
                one.people = sorted({*one.people, *(person.name for person in people)})
        tolds = [replace(self._of_alarm(alarm, context), happening=happening) for alarm in alarms]
        told = tolds[0] if len(tolds) == 1 else together(tolds, [alarm.alarm for alarm in alarms])
        first, identities = alarms[0].alarm, tuple(alarm.alarm for alarm in alarms)
        group = known[0].group if told.members else None
        telling = Telling(f"{first}/{happening}/{now}", first, identities, told, group=group)
        return self._rows(telling, told, people, now, context)

    def _of_alarm(self, alarm: Alarm, context: Context) -> Told:
        place = self._where.place(alarm.enclosure, alarm.probe)
        return Told(
            happening="reminded",
            kind=alarm.kind,
            since=alarm.since,
            band=alarm.band,
            priority=alarm.priority,
            enclosure=alarm.enclosure,
            probe=alarm.probe,
            value=alarm.value,
            limit=alarm.limit,
            cause=alarm.cause,
            consequence=alarm.consequence,
            response=alarm.response,
            within_seconds=alarm.within_seconds,
            recorded=context.recorded,
            rack=place.rack,
            room=place.room,
            branch=place.branch,
        )

    def _rows(
        self, telling: Telling, told: Told, people: Sequence[Person], now: int, context: Context
    ) -> list[Message]:
        link = _page(context)
        journal = context.journal(told.enclosure) if told.enclosure and not told.members else ()
        rows: list[Message] = []
        for person in people:
            ack = self._ack_link(link, telling.alarm, person.name, now, context)
            whole = None
            if telling.group is not None:
                # One tap for all that a message speaks of; rows that are merged later get it from their facts.
                whole = self._ack_link(link, f"{links.GROUP}{telling.group}", person.name, now, context)
                ack = whole if told.members else ack
            extra = {"link": link, "ack_link": ack, "ack_all_link": whole, "group": telling.gather}
            facts = told.facts() | {"action": words.action_of(told), "alarms": list(telling.alarms)}
            facts |= {name: value for name, value in extra.items() if value}
            draft = Draft(
                event=telling.event,
                title=words.title(told, context.wording, now),
                lines=words.lines(told, context.wording, now, journal, link, ack),
                priority=told.priority,
                kind=told.kind,
                alarm=telling.alarm,
                thread=telling.thread or telling.alarm,
                facts=facts,
                not_before=telling.not_before,
                avoid_channel=told.what.removeprefix("channel ") if told.what.startswith("channel ") else None,
            )
            rows += address(draft, person, now, context.zone)
        return rows

    def _ack_link(self, link: str | None, alarm: str, person: str, now: int, context: Context) -> str | None:
        if link is None or context.link_key is None:
            return None
        return f"{link}ack/{links.make(context.link_key, alarm, person, now + links.GOOD_SECONDS)}"

    def _counted(self, rows: list[Message], now: int, context: Context) -> list[Message]:
        """Count what each person gets today and, once a day, say that it is more than they asked for."""
        day = f"{context.wording.local(now):%Y-%m-%d}"
        for name in dict.fromkeys(row.person for row in rows):
            person = self._people[name]
            budget = self._memory.budgets.get(name)
            if budget is None or budget.day != day:
                budget = self._memory.budgets[name] = Budget(day)
            said = {f"{row.facts.get('group') or row.event}@{row.not_before}" for row in rows if row.person == name}
            budget.count += len(said - {budget.last})  # members that will be told together are one message
            budget.last = max(said)
            if budget.count > person.daily_budget and not budget.reported:
                budget.reported = True
                rows = rows + address(_over_budget(person, day), person, now, context.zone)
        return rows

    def _away(self, now: int) -> bool:
        until = self._memory.away_until
        return until is not None and now < until


def _page(context: Context) -> str | None:
    return None if context.base_url is None else context.base_url.rstrip("/") + "/"


def _over_budget(person: Person, day: str) -> Draft:
    return Draft(
        event=f"budget/{person.name}/{day}",
        title=f"More than {person.daily_budget} messages today – see which repeat",
        lines=(
            f"Today {person.name} gets more than the {person.daily_budget} messages a day agreed in the configuration.",
            "None is withheld. A limit too close to the usual, or one probe, is the common cause.",
        ),
        priority="low",
        kind="budget",
    )
