"""Count what a keeper's phone gets in a simulated month: `python tests/bench/notify/month.py --seed 1`.

52 enclosures of the alarm bench's physics through the real judge and the real planner, a clock moved by hand. The keeper
does nothing: acknowledges no alarm, opens no page. Every Sunday a shelf of tubs is cleaned out and written down. Twelve
excursions beyond tolerable are planned. Exit code 1 when one of them is told late or not at all, or a goal is missed.
Simulated weeks are never field results.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from datetime import time as time_of_day
from pathlib import Path
from random import Random
from typing import Final
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).parents[3]))  # run as a program, the repository is not on the path

from tests.bench.alarms.bench_air import DAY, RoomPlan
from tests.bench.alarms.bench_drive import START, Rack, build, reading_at
from tests.bench.alarms.bench_plan import Deed, Happening, Make, RackPlan, TubPlan, _tub
from tests.bench.alarms.bench_truth import Excursion

from dewkeeper.judge import Judge
from dewkeeper.judge.types import Item, JournalEntry
from dewkeeper.judge.words import KINDS
from dewkeeper.notify.gather import Parcel, parcels
from dewkeeper.notify.people import quiet_until
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.notify.saying import Situation, by_id
from dewkeeper.slots import Daily
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

ZONE: Final = ZoneInfo("UTC")  # the planned days are UTC days
SHELF: Final = 13
GOAL_A_DAY: Final = 0.3
GOAL_MOST: Final = 2
SOON: Final = 30
"""Minutes after a misting within which what it makes too damp is."""
MADE: Final = Make(
    "house", 52, 30, RoomPlan(22.5, 1.0, 8, 1.5, 3.5, ()), rest=(61.5, 69), vent_m3_day=(0.8, 3.0), quiet=True
)
PLANNED: Final[tuple[tuple[Deed, float, float], ...]] = (
    # what, hours it lasts, how much
    ("heater_stuck", 4, 1.6), ("heater_lost", 6, 1.0), ("bowl_dry", 40, 7.0), ("blocked", 80, 0.05),
    ("bowl_dry", 40, 6.0), ("heater_stuck", 3, 1.6), ("bowl_dry", 40, 7.0), ("heater_lost", 6, 1.0),
    ("bowl_dry", 40, 5.0), ("heater_stuck", 5, 1.5), ("blocked", 80, 0.05), ("bowl_dry", 40, 7.0),
)  # fmt: skip
"""The real excursions, spread evenly over the month, each in a tub of its own, beginning at any hour."""


@dataclass(slots=True)
class Tally:
    """What came of a month. Local date -> messages: those that say anything of urgent alarms, those of the
    morning, the others. told: enclosure and kind -> minutes. eventful: days on which an excursion was true."""

    urgent: Counter[str] = field(default_factory=Counter)
    daily: Counter[str] = field(default_factory=Counter)
    other: Counter[str] = field(default_factory=Counter)
    kinds: Counter[str] = field(default_factory=Counter)
    told: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    titles: list[str] = field(default_factory=list)
    eventful: set[str] = field(default_factory=set)


def planned(seed: int, days: int, tubs: int) -> RackPlan:
    """Return the month: upkeep of every tub, a shelf cleaned each Sunday, and the excursions that are real."""
    chance = Random(f"month/{seed}")
    made = [_tub(MADE, number, chance) for number in range(tubs)]
    count = min(len(PLANNED), tubs // 4)
    for number, (what, hours, size) in enumerate(PLANNED[:count]):
        start = int((1.5 + number * (days - 4) / count + chance.random()) * DAY)
        end = min(start + int(hours * 60), days * DAY - 60)
        made[number * (tubs // count)].happenings.append(Happening(start, end, what, size))
    for sunday in range(6, days, 7):  # the bench begins on a Monday
        first = (sunday // 7) * SHELF % tubs
        for place, tub in enumerate(made[first : first + SHELF]):
            start = sunday * DAY + 10 * 60 + 20 * place
            if all(h.end + 180 < start or h.start > start + 200 for h in tub.happenings):
                tub.happenings.append(Happening(start, start + 20, "clean", 1.0, "cleaned"))
    for tub in made:
        _upkeep(tub, days, chance)
        tub.happenings.sort(key=lambda h: h.start)
    return RackPlan("house", seed, days, MADE.room, made, False, [])


def _upkeep(tub: TubPlan, days: int, chance: Random) -> None:
    """Mist about every other day and open now and then for some minutes, half of it written down."""
    taken = [(h.start - 60, h.end + 180) for h in tub.happenings]
    for day in range(days - 1):
        for what, often, most, word in (("mist", 0.55, 2, "misted"), ("open", 0.35, 20, "opened")):
            start = day * DAY + int(chance.uniform(8, 21) * 60)
            end = start + chance.randrange(1, most)
            if chance.random() < often and all(end < a or start > b for a, b in taken):
                written = word if chance.random() < 0.5 else None
                deed: Deed = "mist" if what == "mist" else "open"
                tub.happenings.append(Happening(start, end, deed, chance.uniform(0.4, 1.6), written))


def configured(tubs: Iterable[TubPlan]) -> Config:
    """Return one rack of these tubs, and one keeper with a phone."""
    names = [tub.name for tub in tubs]
    return checked(
        Config,
        {
            "site": {"timezone": "UTC"},
            "rack": [{"name": "house", "room": "room"}],
            "enclosure": [{"name": name, "rack": "house"} for name in names],
            "probe": [{"name": name, "enclosure": name, "bus": "i2c1"} for name in names],
            "channel": [{"kind": "webhook", "name": "phone", "url": "http://localhost/"}],
            "person": [{"name": "Marit", "channels": ["phone"], "daily_budget": 500}],
            "notify": {"morning_at": "06:50", "path_test_days": 366},
        },
    )


def month(seed: int, days: int = 30, tubs: int = 52, poll_minutes: int = 5) -> tuple[Tally, list[str], int]:
    """Live through a month; return the tally, the excursions told late in words, and how many there were to tell."""
    rack = build(planned(seed, days, tubs))
    config = configured(rack.plan.tubs)
    context, wording = Context(ZONE, morning=lambda: ("Morning", ["see page"])), Context(ZONE).wording
    judge, planner, tally = Judge(), Planner(config, None), Tally()
    judge.feed(_polled(rack, poll_minutes))
    waiting: list[Message] = []
    for minute, items in _cycles(rack, poll_minutes):
        now = START + 60 * minute
        events = [event for item in items for event in judge.feed(item).events]
        alarms = judge.alarms()
        waiting += planner.plan(events, alarms, now, context) + planner.tick(alarms, now, context)
        due = [row for row in waiting if max(row.not_before, row.next_try) <= now]
        if due:
            waiting = [row for row in waiting if row not in due]
            situation = Situation(by_id(alarms), planner.untold_end())
            for parcel in parcels(due, wording, now, situation):
                _count(tally, parcel, now)
                if any(row.kind == "morning" for row in parcel.carries):  # it names all that stands
                    for alarm in alarms:
                        tally.told.setdefault((alarm.enclosure or "", alarm.kind), []).append(minute)
    late, must = [], 0
    mistings = {tub.name: [h.start for h in tub.happenings if h.what == "mist"] for tub in rack.plan.tubs}
    for name, truth in rack.truths.items():
        for excursion in truth.excursions:
            must += 1
            tally.eventful |= {_day(START + 60 * at) for at in range(excursion.start, excursion.end, 60)}
            wet = any(0 <= excursion.start - at <= SOON for at in mistings[name])
            if not _in_time(tally, name, excursion, config, poll_minutes, misted=wet):
                late.append(f"{name}: {excursion.kind} from minute {excursion.start}, due by {excursion.deadline}")
    return tally, late, must


def _polled(rack: Rack, poll_minutes: int) -> Item:
    return replace(rack.settings, poll_seconds=60 * poll_minutes)


def _cycles(rack: Rack, poll_minutes: int) -> Iterable[tuple[int, list[Item]]]:
    words = sorted((h.start, tub.name, h.word) for tub in rack.plan.tubs for h in tub.happenings if h.word)
    at = 0
    for minute in range(0, rack.plan.days * DAY, poll_minutes):
        items: list[Item] = []
        while at < len(words) and words[at][0] <= minute:
            start, tub, word = words[at]
            items.append(JournalEntry(f"{tub}/{start}", START + 60 * start, tub, word))
            at += 1
        yield minute, items + [reading_at(rack, probe, minute) for probe in rack.wires]


def _count(tally: Tally, parcel: Parcel, now: int) -> None:
    day = _day(now)
    facts = [row.facts for row in parcel.carries]
    tally.titles.append(f"{datetime.fromtimestamp(now, UTC):%d %H:%M} {parcel.message.title}")
    if any(row.priority == "urgent" for row in parcel.carries):
        tally.urgent[day] += 1
    elif any(row.kind == "morning" for row in parcel.carries):
        tally.daily[day] += 1
    else:
        tally.other[day] += 1
        tally.kinds[f"{parcel.message.kind} {facts[0].get('happening', '')}".strip()] += 1
    for row in parcel.carries:
        if row.facts.get("happening") in ("raised", "escalated"):
            named = [row.facts.get("enclosure")] + [m["name"] for m in row.facts.get("members", ())]
            for name in named:
                tally.told.setdefault((str(name), row.kind), []).append((now - START) // 60)


def _day(at: int) -> str:
    return f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}"


def _next_morning(at: int) -> int:
    return Daily(time_of_day(6, 50), ZONE).next_slot(at)


def _in_time(
    tally: Tally, name: str, excursion: Excursion, config: Config, poll_minutes: int, *, misted: bool = False
) -> bool:
    """Whether it was told by its deadline; in quiet hours by their end, where it need not be answered before.

    misted: it began with a misting.
    """
    deadline = excursion.deadline + 2 * poll_minutes
    end = quiet_until(config.person[0], START + 60 * deadline, ZONE)
    within = KINDS[excursion.kind].within_for("tolerable") // 60  # dry half a day, cold two hours
    if excursion.kind != "hot" and end is not None and (end - START) // 60 <= deadline + within:
        deadline = max(deadline, (end - START) // 60 + poll_minutes)
    if excursion.kind == "damp" and misted:  # whoever misted knows: within its day to respond, in the morning message
        deadline = max(deadline, (_next_morning(START + 60 * deadline) - START) // 60 + poll_minutes)
    told = tally.told.get((name, excursion.kind), [])
    return any(excursion.start - 24 * 60 <= at <= deadline for at in told)


def missed(tally: Tally, late: list[str], days: int) -> list[str]:
    """Return the goals that are missed, in words."""
    normal = [n + tally.daily[day] for day, n in tally.other.items() if day not in tally.eventful]
    checks = {
        "an excursion was told late": not late,
        f"more than {GOAL_A_DAY} messages a day beside urgent and morning ones": sum(tally.other.values())
        <= GOAL_A_DAY * days,
        f"more than {GOAL_MOST} messages on a day without an excursion": max(normal, default=0) <= GOAL_MOST,
    }
    return [text for text, met in checks.items() if not met]


def main() -> int:
    """Run a month and print what the phone got."""
    parser = argparse.ArgumentParser(description="Count the messages of a simulated month.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--poll-minutes", type=int, default=5)
    parser.add_argument("--titles", action="store_true", help="print every first line")
    args = parser.parse_args()
    began = time.monotonic()
    tally, late, must = month(args.seed, args.days, poll_minutes=args.poll_minutes)
    say = sys.stdout.write
    if args.titles:
        say("\n".join(tally.titles) + "\n")
    total = sum(tally.other.values())
    say(f"seed {args.seed}: {args.days} days of 52 enclosures, {time.monotonic() - began:.0f} s\n")
    say(
        f"urgent {sum(tally.urgent.values())}, morning {sum(tally.daily.values())}, other {total} = {total / args.days:.2f} a day\n"
    )
    say(
        f"other: {dict(tally.kinds)}; most on a day beside urgent: {max([n + tally.daily[d] for d, n in tally.other.items()], default=1)}\n"
    )
    say(f"excursions to tell: {must}, late: {len(late)}\n" + "".join(f"  {line}\n" for line in late))
    failed = missed(tally, late, args.days)
    say(("every goal is met" if not failed else "missed: " + "; ".join(failed)) + "\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
