"""The round in words: the sheet for terminal and paper, and the message of the evening."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from textwrap import wrap
from typing import Final

from dewkeeper.report.due import QUARANTINE_TOOLS, SERVING_WORDS, SHEDDING, PlaceRound, ServiceRound, say_day, say_late

_MOST_LINES: Final = 12
_MOST_NAMES: Final = 8
_TOGETHER: Final = 3
"""So many places at which only the same is to be done stand together."""
_WIDE: Final = 96
_KEPT: Final = "\xa0"
"""A space at which no line is broken."""


def sheet_lines(made: ServiceRound) -> list[str]:
    """Return the round as a sheet: in the order of service, a box before each thing that is due.

    Where only the same is to be done at several places of one part of the round, they stand together.
    """
    lines = [f"The round of {say_day(made.day)}", made.sentence(), *filter(None, [made.spread()])]
    said = set[str]()
    lines += [f"Telephone first, before the round: {line}" for line in _vet_lines(made)]
    for serving, places in groupby((p for p in made.places if p.due or p.notes), key=lambda place: place.serving):
        lines += ["", SERVING_WORDS[serving]]
        if serving == "quarantine":
            lines.append(f"  {QUARANTINE_TOOLS}")
        lines += _serving_lines(list(places), said)
    if made.put_off:
        lines += ["", "Put off"]
        lines += [
            f"  {off.due.enclosure or 'the house'}: {off.due.todo}, until {say_day(off.until)}{f', by {off.who}' if off.who else ''}"
            for off in made.put_off
        ]
    if made.aside:
        lines += ["", "The air", *(f"  {line}" for line in made.aside)]
    return lines + ([""] if made.uncounted else []) + uncounted_lines(made)


def _vet_lines(made: ServiceRound) -> list[str]:
    """Return whom a vet is to be asked about, and why: whoever is served last is telephoned about first."""
    return [f"{due.enclosure}: {due.todo} – {due.why}" for due in made.due if due.kind in ("vet", "vet-shed")]


def _serving_lines(places: Sequence[PlaceRound], said: set[str]) -> list[str]:
    alike: dict[tuple[tuple[str, str], ...], list[PlaceRound]] = {}
    for place in places:
        if place.due and not place.notes and place.enclosure is not None:
            alike.setdefault(tuple((due.todo, due.why) for due in place.due), []).append(place)
    together = {what: those for what, those in alike.items() if len(those) >= _TOGETHER}
    shown = {id(place) for those in together.values() for place in those}
    units = [*together.values(), *([place] for place in places if id(place) not in shown)]
    lines = []
    for those in sorted(units, key=lambda unit: unit[0].lateness):
        lines += _alike_lines(those, said) if len(those) > 1 else _place_lines(those[0], said)
    return lines


def _alike_lines(places: Sequence[PlaceRound], said: set[str]) -> list[str]:
    due = places[0].due
    lines = []
    for one in due:
        lines.append(f"  {one.todo.capitalize()} – {one.why}")
        lines += _caution_lines(one.caution, said)
    boxes = "   ".join(f"{'[ ] ' * len(due)}{_named(place)}".replace(" ", _KEPT) for place in places)
    return lines + [f"    {line}".replace(_KEPT, " ") for line in wrap(boxes, _WIDE, break_on_hyphens=False)]


def uncounted_lines(made: ServiceRound) -> list[str]:
    """Return what is not asked for, and how it would be."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for what, where in made.uncounted.items():
        alike.setdefault(tuple(where), []).append(what)
    return [
        f"Never noted in {', '.join(where)}: {', '.join(whats)}. Written down once, it is asked for from then on; if nobody lives there, nothing is to be done."
        for where, whats in alike.items()
    ]


def _place_lines(place: PlaceRound, said: set[str]) -> list[str]:
    """Return what is due at one place; a caution stands where it is needed first. said: those that stand already."""
    lines = [f"  {_named(place)}"] if place.enclosure is not None else []
    lines += [f"    . {note}" for note in place.notes]
    for due in place.due:
        lines.append(f"    [ ] {due.todo} – {due.why}")
        lines += _caution_lines(due.caution, said)
    return lines


def _named(place: PlaceRound) -> str:
    living = ", ".join(place.animals)
    return f"{place.enclosure} ({living})" if living else str(place.enclosure)


def _caution_lines(caution: str, said: set[str]) -> list[str]:
    if not caution or caution in said:
        return []
    said.add(caution)
    return [f"        {caution}"]


def round_message(made: ServiceRound) -> tuple[str, tuple[str, ...]]:
    """Return first line and text of the message that says what is due, in the order of service, the same together."""
    where: dict[tuple[str, str], list[str]] = {}
    for place in made.places:
        for due in place.due:
            name = due.enclosure or ""
            if due.kind in SHEDDING and due.late:
                name += f" ({say_late(due.late).removesuffix(': ')})"
            where.setdefault((place.serving, due.todo), []).append(name)
    asked = [key for key in where if key[1] == "ask an exotics vet"]
    lines = [_message_line(key[1], where[key]) for key in [*asked, *(key for key in where if key not in asked)]]
    if len(lines) > _MOST_LINES:
        lines[_MOST_LINES:] = [f"and {len(lines) - _MOST_LINES} more on the page"]
    if any(place.serving == "quarantine" and place.due for place in made.places):
        lines.append(f"Quarantine last. {QUARANTINE_TOOLS}")
    places = list(dict.fromkeys(due.enclosure for due in made.due if due.enclosure))
    return f"Round: {len(made.due)} due{f' – {_some(places, 3)}' if places else ''}", tuple(lines)


def _message_line(todo: str, names: Sequence[str]) -> str:
    return f"{_some(names, _MOST_NAMES)}: {todo}" if any(names) else todo


def _some(names: Sequence[str], most: int) -> str:
    return ", ".join(names[:most]) + (f" +{len(names) - most}" if len(names) > most else "")
