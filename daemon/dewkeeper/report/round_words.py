"""The round in words: the sheet for terminal and paper, and the message of the evening."""

from __future__ import annotations

from dewkeeper.report.due import QUARANTINE_TOOLS, SERVING_WORDS, Due, PlaceRound, ServiceRound, say_day

_MOST_LINES = 12


def sheet_lines(made: ServiceRound) -> list[str]:
    """Return the round as a sheet: in the order of service, a box before each thing that is due."""
    lines = [f"The round of {say_day(made.day)}", made.sentence()]
    serving, said = "", set[str]()
    for place in made.places:
        if not place.due and not place.notes:
            continue
        if place.serving != serving:
            serving = place.serving
            lines += ["", SERVING_WORDS[place.serving]]
            if serving == "quarantine":
                lines.append(f"  {QUARANTINE_TOOLS}")
        lines += _place_lines(place, said)
    if made.put_off:
        lines += ["", "Put off"]
        lines += [
            f"  {off.due.enclosure or 'the house'}: {off.due.todo}, until {say_day(off.until)}{f', by {off.who}' if off.who else ''}"
            for off in made.put_off
        ]
    if made.aside:
        lines += ["", "The air", *(f"  {line}" for line in made.aside)]
    return lines + ([""] if made.uncounted else []) + uncounted_lines(made)


def uncounted_lines(made: ServiceRound) -> list[str]:
    """Return what is not asked for, and how it would be."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for what, where in made.uncounted.items():
        alike.setdefault(tuple(where), []).append(what)
    return [
        f"Not counted before it is noted there once: {', '.join(whats)} in {', '.join(where)}."
        for where, whats in alike.items()
    ]


def _place_lines(place: PlaceRound, said: set[str]) -> list[str]:
    """Return what is due at one place; a caution stands where it is needed first. said: those that stand already."""
    lines = []
    living = f" ({', '.join(place.animals)})" if place.animals else ""
    if place.enclosure is not None:
        lines.append(f"  {place.enclosure}{living}")
    lines += [f"    . {note}" for note in place.notes]
    for due in place.due:
        lines.append(f"    [ ] {due.todo} – {due.why}")
        if due.caution and due.caution not in said:
            said.add(due.caution)
            lines.append(f"        {due.caution}")
    return lines


def round_message(made: ServiceRound) -> tuple[str, tuple[str, ...]]:
    """Return first line and text of the message that says what is due, in the order of service."""
    lines = [_line(due) for due in made.due[:_MOST_LINES]]
    if len(made.due) > _MOST_LINES:
        lines.append(f"and {len(made.due) - _MOST_LINES} more on the page")
    if any(place.serving == "quarantine" and place.due for place in made.places):
        lines.append(f"Quarantine last. {QUARANTINE_TOOLS}")
    places = list(dict.fromkeys(due.enclosure for due in made.due if due.enclosure))
    named = ", ".join(places[:3]) + (f" +{len(places) - 3}" if len(places) > 3 else "")
    return f"Round: {len(made.due)} due{f' – {named}' if named else ''}", tuple(lines)


def _line(due: Due) -> str:
    return f"{due.enclosure}: {due.todo}" if due.enclosure else due.todo
