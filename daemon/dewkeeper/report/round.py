"""The round: everything that is due on a local date and why, in the order of service. A pure function of the journal.

It is made new each time it is asked for, so that what was done, dated back, corrected or put off shows at once, and
nothing can be due that the journal says is done. Days are local dates: a night of 23 or 25 hours is one night.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.due import (
    PRESSING,
    SERVINGS,
    SHEDDING,
    Due,
    DueTap,
    PlaceRound,
    PutOff,
    ServiceRound,
    Serving,
    say_day,
    say_late,
)
from dewkeeper.report.husbandry import Husbandry
from dewkeeper.report.hygiene import DAMP_SECONDS_A_DAY, deep_clean_days
from dewkeeper.report.lasting import CHANGE
from dewkeeper.report.shed_round import shed_due, shed_notes, soon_to_shed
from dewkeeper.sampling.salts import CHECK_SECONDS
from dewkeeper_config.models import Config, Enclosure

DISINFECTANT: Final = (
    "If you disinfect: never mix bleach with acid or ammonia, keep the contact time on the label, rinse, dry and air "
    "before the snake goes back."
)

DATED: Final = frozenset({"bowl", "spot-clean", "deep-clean", "lever", "review", "probe-check"})
"""What is due on a day, and late the day after; an estimate is late once its last day is over."""

TOLD_DAYS: Final = 14
"""So long the round says that a quarantine is over: our choice."""

LEVERS: Final = tuple(
    # A humid hide comes and goes with every shed; nobody waits two weeks to see what it did.
    what
    for what, word in JOURNAL.items()
    if what.endswith("_changed") and word.lever and word.lever != "humid_hide"
)
"""Journal words of changes that are looked at again once they had their time."""


@dataclass(frozen=True, slots=True)
class RoundFacts:
    """What the round takes besides the journal.

    resting: enclosure -> when it is to be looked at again (UTC seconds; None: no date), of those out of service.
    probe_checks: probe -> when its check is due (UTC seconds). untested: person -> ways nobody confirmed for too long.
    damp_seconds: enclosure -> how long it was above its target band since its last deep clean.
    temperatures: enclosure -> its temperature now in words; an enclosure without a believed reading of now is not in it.
    air: what the air needs, found by whoever reads the learned facts; aside: sentences on what of it is left alone.
    """

    resting: Mapping[str, int | None] = field(default_factory=dict)
    probe_checks: Mapping[str, int] = field(default_factory=dict)
    untested: Mapping[str, Sequence[str]] = field(default_factory=dict)
    damp_seconds: Mapping[str, int] = field(default_factory=dict)
    temperatures: Mapping[str, str] = field(default_factory=dict)
    air: Sequence[Due] = ()
    aside: Sequence[str] = ()


def service_round(journal: Sequence[JournalEntry], config: Config, now: int, facts: RoundFacts) -> ServiceRound:
    """Return the round of the local date of `now` (UTC seconds); journal: oldest first, corrected entries left out."""
    book = Husbandry.of(journal, config, now)
    places = [_place(None, "house", book, [*_house(book, facts)], [])]
    uncounted: dict[str, list[str]] = {}
    for enclosure in sorted(config.enclosure, key=lambda e: _way(config, e)):
        notes: list[str] = []
        due = [due for due in facts.air if due.enclosure == enclosure.name]
        due += _checks(book, enclosure, facts)
        if enclosure.name in facts.resting:
            due += _review(book, enclosure.name, facts.resting[enclosure.name])
        elif book.holds_eggs(enclosure):
            due += _eggs(book, enclosure, facts.temperatures.get(enclosure.name))
        elif not book.empty(enclosure.name):
            notes += [*shed_notes(book, enclosure.name), *_set_free(book, enclosure.name)]
            for what, found in _cleaning(book, enclosure, facts.damp_seconds.get(enclosure.name, 0)):
                if found is None:
                    uncounted.setdefault(what, []).append(enclosure.name)
                elif what == "deep-clean" and soon_to_shed(book, enclosure.name):
                    if found.since <= book.today:
                        notes.append(f"deep-clean, due since {say_day(found.since)}, waits until it has shed")
                else:
                    due.append(found)
            due += [*shed_due(book, enclosure.name), *_levers(book, enclosure.name), *_signs(book, enclosure.name)]
            if any(one.kind == "air" and any(tap.what == "refilled" for tap in one.taps) for one in due):
                due = [one for one in due if one.kind != "bowl"]  # a bowl that the air needs is one bowl
            if book.ill(enclosure.name) is not None:  # no change of the tub for one that looks ill: the vet (KEEPER)
                due = [one for one in due if one.kind != CHANGE]
            told = [one for one in due if one.kind not in ("air", CHANGE)]
            if len(told) < len(due) and any(one.shed for one in due):  # whoever grades must not know the air
                due = told
                notes.append("what its air needs is shown once the shed is graded")
        # Of an empty or resting enclosure too: quarantine ends by somebody's word and by nothing else.
        due += _isolation(book, enclosure.name)
        places.append(_place(enclosure.name, _serving(book, enclosure), book, due, notes))
    # In quarantine too, who has a sign of illness comes last. Stable: what is not late, along the racks.
    ill = {name for name in book.isolated if book.ill(name) is not None}
    ordered = sorted(places, key=lambda place: (SERVINGS.index(place.serving), place.enclosure in ill, place.lateness))
    return ServiceRound(book.today, ordered, uncounted, facts.aside)


def _way(config: Config, enclosure: Enclosure) -> tuple[int, int, int]:
    racks = [rack.name for rack in config.rack]
    return racks.index(enclosure.rack), enclosure.shelf, enclosure.place


def _serving(book: Husbandry, enclosure: Enclosure) -> Serving:
    if enclosure.name in book.isolated:
        return "quarantine"
    if book.holds_eggs(enclosure):
        return "eggs"
    return "signs" if book.ill(enclosure.name) is not None else "healthy"


def _place(name: str | None, serving: Serving, book: Husbandry, found: Iterable[Due], notes: list[str]) -> PlaceRound:
    names = tuple(animal.name for animal in book.living.get(name or "", ()) if animal.name)
    place = PlaceRound(name, serving, names, notes=notes)
    for due in found:
        if due.since > book.today:
            continue
        late = (book.today - due.since).days
        if due.kind in DATED and late:
            due = replace(due, late=late, why=say_late(late) + due.why)
        # By the day it was due on as well: what was put off once is not put off the next time.
        off = book.put_off(name, due.key, due.since)
        if off is None:
            place.due.append(due)
        else:
            place.put_off.append(PutOff(due, book.day(off.until or 0), off.who))
    place.due.sort(key=lambda due: due.kind not in PRESSING | SHEDDING)  # whether it has shed decides what else is done
    return place


def _cleaning(book: Husbandry, enclosure: Enclosure, damp_seconds: int) -> Iterator[tuple[str, Due | None]]:
    """Return bowl and cleaning as they become due; None for what was never noted where nobody is known to have moved in."""
    name, ways = enclosure.name, book.config.round
    deep = deep_clean_days(book.config, enclosure)
    begun = book.set_up(name)
    bowl, spot, clean = book.last(name, "refilled"), book.last(name, "spot_cleaned"), book.last(name, "cleaned")
    last = {
        "bowl": _newest(begun, bowl), "spot-clean": _newest(begun, spot, clean), "deep-clean": _newest(begun, clean)
    }  # fmt: skip
    # A floor that was damp for long is cleaned sooner, but never on the day it was cleaned.
    damp_days = damp_seconds // DAMP_SECONDS_A_DAY
    when_deep = (
        None if last["deep-clean"] is None else (book.day(last["deep-clean"]) + timedelta(max(1, deep - damp_days)))
    )
    blue = soon_to_shed(book, name)
    whole = not blue and when_deep is not None and when_deep <= book.today  # a deep clean is a spot-clean as well
    # A deep clean that was put off takes no spot-clean's place.
    if whole and when_deep is not None:
        whole = book.put_off(name, "deep-clean", when_deep) is None
    for what, days, tap, todo in (
        (
            "spot-clean",
            ways.spot_clean_days,
            DueTap("spot_cleaned", "spot-cleaned"),
            "spot-clean round the snake" if blue else "spot-clean",
        ),
        ("deep-clean", deep, DueTap("cleaned", "deep-cleaned"), "deep-clean"),
        ("bowl", ways.bowl_days, DueTap("refilled", "bowl refilled"), "refill the bowl with fresh water"),
    ):
        at = last[what]
        if what == "bowl" and not enclosure.open_water:
            continue
        if at is None:
            yield what, None
        elif what != "spot-clean" or not whole:
            done = book.day(at)
            why = f"last {_ago((book.today - done).days)}; every {days} days"
            since, caution = done + timedelta(days), ""
            if what == "deep-clean":
                since, caution = when_deep or since, DISINFECTANT
                used = book.last(name, "disinfected")
                why += f"; {damp_seconds // 3600} h above target count as {damp_days} days more" if damp_days else ""
                why += f"; disinfected last time with {used.detail}" if used is not None and used.detail else ""
            yield what, Due(what, name, todo, why, since, (tap,), caution=caution)


def _newest(begun: int | None, *noted: JournalEntry | None) -> int | None:
    return max(
        [entry.time for entry in noted if entry is not None] + ([begun] if begun is not None else []), default=None
    )


def _eggs(book: Husbandry, enclosure: Enclosure, temperature: str | None) -> Iterator[Due]:
    begun, ways = book.last(enclosure.name, "eggs"), book.config.round
    ended = book.last(enclosure.name, "hatched", "stage_over")
    if begun is None or (ended is not None and ended.time >= begun.time):
        return
    laid = book.day(begun.time)
    first, last = laid + timedelta(ways.hatch_first_days), laid + timedelta(ways.hatch_last_days)
    late = max(0, (book.today - last).days)
    expected = f"was expected by {say_day(last)}" if late else f"is expected {say_day(first)} to {say_day(last)}"
    yield Due(
        "eggs", enclosure.name, "look through the lid for pipping eggs",
        f"{say_late(late)}day {(book.today - laid).days}; hatching {expected}, an estimate, common practice",
        first, (DueTap("hatched", "hatched", asks="how many"),),
        caution=f"Look at the temperature first ({temperature or 'no probe tells it now'}): heat kills eggs faster than cold "
        "or dry air. Do not turn an egg.", late=late,
    )  # fmt: skip


def _levers(book: Husbandry, name: str) -> Iterator[Due]:
    """Return the newest change of each lever, to be looked at again once it had its time."""
    for what in LEVERS:
        word, changed = JOURNAL[what], book.last(name, what)
        if changed is None:
            continue
        label = f"{word.label}{f': {changed.detail}' if changed.detail else ''}"
        due = Due(
            "lever", name, f"see what it did: {label}",
            f"changed {_ago((book.today - book.day(changed.time)).days)}; looked at after {book.config.round.lever_days} days",
            book.day(changed.time) + timedelta(book.config.round.lever_days),
            (DueTap("looked", "looked at it", f"lever {what}"),), about=what,
        )  # fmt: skip
        looked = [e for e in book.done.get((name, "looked"), ()) if e.detail == due.key and e.time >= changed.time]
        if not looked:
            yield due


def _signs(book: Husbandry, name: str) -> Iterator[Due]:
    sign = book.ill(name)
    if sign is not None:
        label = JOURNAL[sign.what].label
        yield Due(
            "vet", name, "ask an exotics vet", f"noted on {say_day(book.day(sign.time))}: {label}",
            book.day(sign.time), (DueTap("vet", "vet seen", asks="what was said"),),
            caution="No setting of humidity cures it.",
        )  # fmt: skip


def _isolation(book: Husbandry, name: str) -> Iterator[Due]:
    one = book.isolated.get(name)
    if one is not None:
        began, counted = say_day(book.day(one.began)), book.day(one.counted_from)
        why = f"{(book.today - counted).days} days since it began on {began}"
        if one.restarted:
            why = (
                f"{(book.today - counted).days} days since the clock began anew on {say_day(counted)} ({one.restarted}); "
                f"in quarantine since {began}"
            )
        yield Due(
            "quarantine", name, "ask the keeper or the vet whether quarantine is over", why, book.day(one.end),
            (DueTap("quarantine_over", "quarantine is over"),),
            caution="It goes on until one of them says that it is over: the vet says how long, the keeper ends it. "
            "One that carries something can look well.",
        )  # fmt: skip


def _set_free(book: Husbandry, name: str) -> Iterator[str]:
    """Return that quarantine ended there, for as long as it is told."""
    over = book.last(name, "quarantine_over")
    if name in book.isolated or over is None or (book.today - book.day(over.time)).days > TOLD_DAYS:
        return
    yield f"quarantine over since {say_day(book.day(over.time))}{f', by {over.who}' if over.who else ''}"


def _review(book: Husbandry, name: str, review: int | None) -> Iterator[Due]:
    if review is not None:
        yield Due("review", name, "look at it again: out of service", "its review date", book.day(review))


def _checks(book: Husbandry, enclosure: Enclosure, facts: RoundFacts) -> Iterator[Due]:
    for probe in book.config.probe:
        if probe.enclosure == enclosure.name and probe.name in facts.probe_checks:
            yield _check(book, probe.name, facts.probe_checks[probe.name], enclosure.name)


def _check(book: Husbandry, probe: str, due: int, enclosure: str | None) -> Due:
    noted = book.last(enclosure, "probe_checked") if enclosure is not None else None
    if noted is not None:
        # A check that found nothing to correct left no calibration, only its entry.
        due = max(due, noted.time + CHECK_SECONDS)
    return Due(
        "probe-check", enclosure, f"check probe {probe} over a saturated salt",
        "twice a year; a humidity sensor drifts slowly and does not say so", book.day(due),
        (DueTap("probe_checked", "probe checked", asks="against what, by how much it was off"),) if enclosure else (),
        about=probe,
    )  # fmt: skip


def _house(book: Husbandry, facts: RoundFacts) -> Iterator[Due]:
    yield from (due for due in facts.air if due.enclosure is None)
    placed = {p.name: p.enclosure for p in book.config.probe}
    for probe, at in facts.probe_checks.items():
        if placed.get(probe) is None:
            yield _check(book, probe, at, None)
    for person, ways in facts.untested.items():
        yield Due(
            "path-test", None, f"send a test message to {person} and tap what comes",
            f"nobody confirmed a message over {', '.join(ways)} for {book.config.notify.path_test_days} days",
            book.today, about=person,
        )  # fmt: skip


def _ago(days: int) -> str:
    return "today" if days == 0 else "yesterday" if days == 1 else f"{days} days ago"
