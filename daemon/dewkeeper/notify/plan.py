"""The planner: from events to the rows of the outbox. Pure: no clock, no store, no network.

What it must remember (who was told what, open groups, the day's count) is `state()`, stored with the messages it led
to, so that a restart neither repeats nor forgets.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal
from zoneinfo import ZoneInfo

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.types import Alarm, Command, Event, JournalEntry
from dewkeeper.notify import links, message_words, room_story
from dewkeeper.notify.daily import morning_draft, morning_due, nag_draft, overdue_paths, path_name, test_draft
from dewkeeper.notify.grouping import Telling, Where, tellings, together
from dewkeeper.notify.people import Draft, address, ladder, quiet_until
from dewkeeper.notify.phrases import rationale_of
from dewkeeper.notify.planner_state import Budget, Known, Memory
from dewkeeper.notify.round_message import round_draft, round_due
from dewkeeper.notify.saying import no_journal
from dewkeeper.notify.steps import Steps
from dewkeeper.notify.told import Happening, Told
from dewkeeper.notify.waiting import next_morning, waits
from dewkeeper.report.order import ROOMS
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message
from dewkeeper_config.models import Config, Person

_OPEN: Final = ("unacknowledged", "returned_unacknowledged")
_STANDING: Final = ("unacknowledged", "acknowledged")
_LEAP_SECONDS: Final = 86400
# Bounded, for all of it is written anew with every commit that changes it.
_MOST_KNOWN: Final = 4096
_MOST_OVER: Final = 200


@dataclass(frozen=True, slots=True)
class Context:
    """What words need besides the event.

    journal: the last entries about an enclosure, oldest first. base_url: how phones reach the page.
    recorded: whether the store takes things just now. link_key: key of acknowledge links, None for no links.
    morning: makes first line and text of the morning message; called once a day, may read history.
    round: the same of the message that says what is due, None when nothing is.
    """

    zone: ZoneInfo
    units: Literal["celsius", "fahrenheit"] = "celsius"
    base_url: str | None = None
    recorded: bool = True
    journal: Callable[[str | None], Sequence[JournalEntry]] = no_journal
    link_key: str | None = None
    morning: Callable[[], tuple[str, Sequence[str]]] | None = None
    round: Callable[[], tuple[str, Sequence[str]] | None] | None = None

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
        self._steps = Steps(config, self._memory)
        self._last_tick: int | None = None
        self._announced: list[Draft] = []
        self._wanted: list[tuple[str, str, str]] = []  # path tests asked for: person, channel, id

    def plan(self, events: Sequence[Event], alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return the rows these events lead to; alarms: all that stand after them. now: UTC seconds."""
        planned: list[Message] = []
        planned += self._tests(now, context)
        # What is told by itself in this very call is not handed over besides.
        news = {event.alarm for event in events if event.event in ("raised", "escalated", "reminded", "cleared")}
        planned += self._hand_over([alarm for alarm in alarms if alarm.alarm not in news], now, context)
        elapsed = self._memory.elapsed(now)
        for event in events:
            self._note(event, elapsed)
        for telling in tellings(self._for_now(events, alarms, now, context), self._memory, self._where, elapsed):
            planned += self._tell(telling, now, context)
        return self._counted(planned, now, context)

    def tick(self, alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return what time alone makes due: the next person for unanswered urgent alarms, reminders of standing ones.

        And what stands, for whoever is told first since away mode began or ended.
        """
        planned = self._hand_over(alarms, now, context)
        waiting = {a.alarm: a for a in alarms if a.alarm in self._memory.alarms and a.state in _OPEN}
        # Of all that waits, not of what is due: else what is worse, but was repeated lately, would not hold back the
        # rest.
        leading = self._steps.leading(waiting.values())
        while waiting:
            alarm = next(iter(waiting.values()))
            happening = self._steps.due(alarm, now)
            if happening == "reminded" and alarm.alarm not in leading:
                happening = None  # what is worse in the same enclosure is repeated: one story
            # What was told together is repeated together: a frost is not twenty reminders.
            together = self._steps.companions(alarm, waiting.values(), happening) if happening else [alarm]
            if happening:
                planned += self._step(together, happening, self._steps.whom(together, happening, now), now, context)
                self._steps.repeated(together, waiting.values(), now)
            for done in together:
                del waiting[done.alarm]
        planned += self._joined(alarms, now, context)
        return self._counted(planned + self._daily(alarms, now, context), now, context)

    def rebased(self, step_seconds: int) -> None:
        """The wall clock was stepped: what waits goes on waiting as long as it would have."""
        self._memory.stepped += step_seconds

    def untold_end(self) -> frozenset[str]:
        """Return the alarms that were told and not yet told as over. May be asked from any thread."""
        return frozenset(self._memory.alarms)

    @property
    def stepped(self) -> int:
        """By how many seconds the wall clock was stepped since this memory began."""
        return self._memory.stepped

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
            rows += self._address(draft, person, now, context, only_channel=channel)
        return rows

    def _daily(self, alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return what was announced, and the morning message, the round's and the reminder to test the ways when they are due."""
        memory, rows = self._memory, []
        for said in self._announced:
            for person in self._steps.first(now):
                rows += self._address(said, person, now, context)
        self._announced = []
        leapt = self._last_tick is not None and abs(now - self._last_tick) > _LEAP_SECONDS
        self._last_tick = now
        if memory.paths_from is None or leapt:
            memory.paths_from = now  # days a stepped clock skipped have not passed
        day = morning_due(self._config, memory.done, now, context.zone)
        if day is not None and context.morning is not None:
            memory.done["morning"] = day
            draft = morning_draft(day, context.morning(), _page(context), self._over(now, context))
            for known in memory.alarms.values():
                known.reminded = memory.elapsed(now)  # it names all that stands
            rows += self._left_for_morning(alarms, day, now, context)
            # The keeper wants to know that all is well also while away; the sitter then needs the list as well.
            for person in {p.name: p for p in [*ladder(self._config, away=False)[0], *self._steps.first(now)]}.values():
                rows += self._address(draft, person, now, context)
        rows += self._round(now, context)
        since = max(memory.paths_from, min(now, int(memory.done.get("nag", "0"))))
        for name, channels in overdue_paths(self._config, memory.confirmed, since, now).items():
            memory.done["nag"] = str(now)
            draft = nag_draft(self._people[name], channels, self._config.notify.path_test_days, now)
            rows += self._address(draft, self._people[name], now, context)
        return rows

    def _round(self, now: int, context: Context) -> list[Message]:
        """Return the message that says what is due, at its hour; to the sitter while the keeper is away."""
        day = round_due(self._config, self._memory.done, now, context.zone)
        if day is None or context.round is None:
            return []
        self._memory.done["round"] = day
        said, rows = context.round(), list[Message]()
        for person in self._steps.first(now) if said is not None else ():
            rows += self._address(round_draft(day, said or ("", ()), context.base_url), person, now, context)
        return rows

    def _left_for_morning(self, alarms: Sequence[Alarm], day: str, now: int, context: Context) -> list[Message]:
        """Return rows for what is not of low priority and waited while all slept: they go out within the morning message."""
        rows: list[Message] = []
        for alarm in alarms:
            known = self._memory.alarms.get(alarm.alarm)
            if known is not None and not known.people and alarm.state == "unacknowledged" and alarm.priority != "low":
                told = replace(self._of_alarm(alarm, context), happening="raised")
                one = (alarm.alarm,)
                rows += self._tell(
                    Telling(f"{alarm.alarm}/{day}", alarm.alarm, one, told, bypass_quiet=True), now, context
                )
        return rows

    def _over(self, now: int, context: Context) -> list[str]:
        """Return what was told by itself and ended since the last morning message, and forget it."""
        ended = [told for facts in self._memory.over if (told := Told.of_facts(facts)) is not None]
        self._memory.over = []
        return message_words.over_lines(ended, context.wording, now)

    def _address(
        self, draft: Draft, person: Person, now: int, context: Context, only_channel: str | None = None
    ) -> list[Message]:
        return address(draft, person, now, context.zone, only_channel, self._memory.elapsed(now))

    def _note(self, event: Event, elapsed: int) -> None:
        """Remember what an event changes about reminding."""
        known = self._memory.alarms.get(event.alarm)
        if known is None:
            return
        if event.event in ("acknowledged", "unshelved", "unsuppressed", "in_service"):
            # From here on "unanswered" is counted anew.
            known.reminded = known.stepped = elapsed
        if event.event == "escalated" and event.priority == "urgent" and not known.urgent:
            known.urgent, known.stepped = True, elapsed

    def _for_now(self, events: Sequence[Event], alarms: Sequence[Alarm], now: int, context: Context) -> list[Event]:
        """Return the events that are told by themselves, and keep the others for the morning message, or for their room's story.

        What gets worse and was told to nobody yet is new to them, and joins what is new with it.
        """
        morning, kept = next_morning(self._config, now, context.zone), list[Event]()
        sleeping = [quiet_until(person, now, context.zone) for person in self._steps.first(now)]
        quiet = None if None in sleeping else min((end for end in sleeping if end is not None), default=None)
        if quiet is not None and context.morning and morning_due(self._config, self._memory.done, now, context.zone):
            morning = now  # it is made at this very moment, and names what stands
        for event in events:
            known = self._memory.alarms.get(event.alarm)
            left = waits(event, morning, quiet, urgent_before=known is not None and known.urgent)
            if not left and morning is not None and quiet is None:
                left = room_story.joins(event, alarms, self._memory, self._where, now)
            if event.state in WITHHELD or not left:
                # An escalation would speak of an alarm that these people never heard of.
                untold = event.event == "escalated" and known is not None and not known.people
                event = self._with_tubs(event, alarms)
                kept.append(replace(event, event="raised") if untold else event)
                continue
            if event.event in ("raised", "escalated", "cleared"):
                told = Told.of_event(event, event.event, self._where.place(event.enclosure, event.probe))
                if event.event == "cleared" and known is not None and known.people:
                    over = _as_gravest(told, known)
                    over = replace(over, since=self._memory.began(event.alarm, told.since))
                    self._memory.over = [*self._memory.over, over.facts()][-_MOST_OVER:]
                # Without people: by that the morning message and the room's story know what nobody has heard of yet.
                self._remember(event.alarm, told, [], None, now)
        return kept

    def _with_tubs(self, event: Event, alarms: Sequence[Alarm]) -> Event:
        """Return the news of a room with the names of the tubs that went out with it."""
        story = room_story.story_of(event, self._where) if event.kind in ROOMS and event.event == "raised" else None
        tubs = room_story.of_story(alarms, story, self._where) if story else []
        names = [alarm.enclosure for alarm in tubs if alarm.enclosure]
        return (
            replace(event, detail={**event.detail, "text": f"gone out with it: {', '.join(names)}"}) if names else event
        )

    def _joined(self, alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return one message for each room whose tubs went out since its story was told, when the first of them is due."""
        rows: list[Message] = []
        people, morning = self._steps.first(now), next_morning(self._config, now, context.zone)
        for members in room_story.kept(alarms, self._memory, self._where).values():
            if any(room_story.is_due(one, self._memory, people, now, morning, context.zone) for one in members):
                head = room_story.told_head(members[0], alarms, self._memory, self._where, now)
                said = "" if head is None else self._told_before(head, now, context)
                rows += self._step(members, "raised", people, now, context, detail=said)
        return rows

    def _told_before(self, head: Alarm, now: int, context: Context) -> str:
        """Return of what and when people were told already: "belongs to what was told 10:00: snake room, room too dry since 08:00"."""
        known = self._memory.alarms[head.alarm]
        at = known.told if known.people else known.reminded + self._memory.stepped  # else a morning message named it
        what = message_words.in_short(self._of_alarm(head, context), context.wording, now)
        return f"belongs to what was told {context.wording.clock(at, now)}: {what}"

    def _tell(self, telling: Telling, now: int, context: Context) -> list[Message]:
        told = replace(telling.told, recorded=context.recorded)
        if not told.members:
            told = replace(told, since=self._memory.began(telling.alarm, told.since))
        known = self._memory.alarms.get(telling.alarm)
        before = self._steps.told([known] if known is not None else [])
        if told.happening in ("cleared", "annotated"):
            if known is None:
                return []  # never told, so nothing to take back
            people = before
            if told.happening == "cleared":  # what is over is called what it was told as, at its gravest
                told = _as_gravest(told, known)
        else:
            # Also who was told before: away mode may have changed since, and they still go by what they heard.
            people = list({person.name: person for person in [*self._steps.first(now), *before]}.values())
        since = dict(zip(telling.alarms, (member.since for member in told.members), strict=False))
        for alarm in telling.alarms:
            self._remember(alarm, replace(told, since=since.get(alarm, told.since)), people, telling.group, now)
        return self._rows(telling, told, people, now, context)

    def _remember(self, alarm: str, told: Told, people: Sequence[Person], group: str | None, now: int) -> None:
        if told.happening == "cleared":
            self._memory.alarms.pop(alarm, None)
            return
        elapsed = self._memory.elapsed(now)
        known = self._memory.alarms.get(alarm)
        if known is None:
            began = self._memory.elapsed(told.since)
            known = Known(told=now, reminded=elapsed, stepped=elapsed, urgent=told.priority == "urgent", began=began)
            self._memory.alarms[alarm] = known
            while len(self._memory.alarms) > _MOST_KNOWN:
                del self._memory.alarms[next(iter(self._memory.alarms))]
        known.reminded = elapsed
        known.group = group or known.group
        known.people = sorted({*known.people, *(person.name for person in people)})
        known.band = "tolerable" if "tolerable" in (known.band, told.band) else told.band
        known.danger = known.danger or told.danger

    def _hand_over(self, alarms: Sequence[Alarm], now: int, context: Context) -> list[Message]:
        """Return what stands, for those who are told first since away mode began or ended."""
        away = self._steps.away(now)
        if away == self._memory.was_away:
            return []
        self._memory.was_away = away
        waiting = {a.alarm: a for a in alarms if a.state in _STANDING and a.alarm in self._memory.alarms}
        rows: list[Message] = []
        while waiting:
            together = self._steps.companions(next(iter(waiting.values())), waiting.values(), "handed_over")
            rows += self._step(together, "handed_over", self._steps.first(now), now, context)
            for done in together:
                del waiting[done.alarm]
        return rows

    def _step(
        self,
        alarms: Sequence[Alarm],
        happening: Happening,
        people: Sequence[Person],
        now: int,
        context: Context,
        detail: str = "",
    ) -> list[Message]:
        """Tell these people of standing alarms again, several as one. detail: what is to be said of all of them."""
        known = [self._memory.alarms[alarm.alarm] for alarm in alarms]
        for one in known:
            one.reminded = self._memory.elapsed(now)
            if happening != "reminded":
                one.stepped = one.reminded
                one.people = sorted({*one.people, *(person.name for person in people)})
        tolds = [replace(self._of_alarm(alarm, context), happening=happening) for alarm in alarms]
        told = tolds[0] if len(tolds) == 1 else together(tolds, [alarm.alarm for alarm in alarms])
        told = replace(told, detail=detail or told.detail)
        first, identities = alarms[0].alarm, tuple(alarm.alarm for alarm in alarms)
        group = known[0].group if told.members else None
        telling = Telling(f"{first}/{happening}/{now}", first, identities, told, group=group)
        return self._rows(telling, told, people, now, context)

    def _of_alarm(self, alarm: Alarm, context: Context) -> Told:
        place = self._where.place(alarm.enclosure, alarm.probe, str(alarm.detail.get("members", "")))
        return Told(
            happening="reminded",
            kind=alarm.kind,
            since=self._memory.began(alarm.alarm, alarm.since),
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
            respond_by=alarm.respond_by or alarm.raised + rationale_of(alarm.kind).within_for(alarm.band),
            recorded=context.recorded,
            rack=place.rack,
            room=place.room or str(alarm.detail.get("room", "")) or None,
            branch=place.branch or str(alarm.detail.get("branch", "")) or None,
            tubs=place.tubs,
            where=place.where,
            doubt=str(alarm.detail.get("doubt", "")),
            either=str(alarm.detail.get("or", "")),
            danger=bool(alarm.detail.get("danger")),
            what=str(alarm.detail.get("what", "")),
            detail=str(alarm.detail.get("text", "")),
            action=str(alarm.detail.get("action", "")),
            site=str(alarm.detail.get("site", "")),
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
            # The first of a group goes out alone, but its row may still be merged when it waits.
            if telling.group is not None:
                # One tap for all that a message speaks of; rows that are merged later get it from their facts.
                whole = self._ack_link(link, f"{links.GROUP}{telling.group}", person.name, now, context)
                ack = whole if told.members else ack
            extra = {"link": link, "ack_link": ack, "ack_all_link": whole, "group": telling.gather}
            facts = told.facts() | {"action": message_words.action_of(told), "alarms": list(telling.alarms)}
            facts["stepped"] = self._memory.stepped
            facts |= {name: value for name, value in extra.items() if value}
            draft = Draft(
                event=telling.event,
                title=message_words.title(told, context.wording, now),
                lines=message_words.lines(told, context.wording, now, journal, link, ack),
                priority=told.priority,
                kind=told.kind,
                alarm=telling.alarm,
                thread=telling.thread or telling.alarm,
                facts=facts,
                hold_seconds=telling.hold_seconds,
                respond_by=_respond_by(told),
                bypass_quiet=telling.bypass_quiet,
                avoid_channel=told.what.removeprefix("channel ") if told.what.startswith("channel ") else None,
            )
            rows += self._address(draft, person, now, context)
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
            firsts = {row.event: row for row in reversed(rows) if row.person == name}  # without stand-ins
            # Members of a group that will be told together are one message.
            said = {
                f"{row.facts.get('group') or event}@{wait}" if (wait := row.not_before or row.next_try) else event
                for event, row in firsts.items()
            }
            budget.count += len(said - {budget.last})
            # Kept, so that members that join what was counted, due in the same second, are not counted again.
            budget.last = max(map(str, said))
            if budget.count > person.daily_budget and not budget.reported:
                budget.reported = True
                rows = rows + self._address(_over_budget(person, day), person, now, context)
        return rows


def _page(context: Context) -> str | None:
    return None if context.base_url is None else context.base_url.rstrip("/") + "/"


def _as_gravest(told: Told, known: Known) -> Told:
    """Return the end of an alarm under the gravest name it was told by."""
    return replace(told, band="tolerable" if known.band == "tolerable" else told.band, danger=known.danger)


def _respond_by(told: Told) -> int | None:
    """Return until when this must be answered, UTC seconds; None of what is no news, which nobody is woken for."""
    if told.happening not in ("raised", "escalated", "unanswered", "handed_over"):
        return None
    return told.respond_by


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
