"""The keeper's book: the round with its taps, and the form that grades a shed. Every deed is an entry of the journal."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any
from urllib.parse import quote

from werkzeug.wrappers import Response

from dewkeeper.judge.stages import MOVES
from dewkeeper.judge.types import JournalEntry
from dewkeeper.notify.round_message import round_now
from dewkeeper.report.animals import ABOUT_THE_ANIMAL, animals, find_animal
from dewkeeper.report.due import QUARANTINE_TOOLS, SERVING_WORDS, Due, ServiceRound
from dewkeeper.report.eggs import EGG_WORDS, HEAT_FIRST, clutch_lines, clutches
from dewkeeper.report.round_words import uncounted_lines
from dewkeeper.report.shed_air import animal_sheds, questions
from dewkeeper.report.shed_round import NEVER_PULL
from dewkeeper.report.shed_words import air_lines, grade_words, interval_words, name_of
from dewkeeper.report.sheds import ShedGrade, grade_of
from dewkeeper.report.sitter import by_day, while_away
from dewkeeper.report.vet_sheet import NO_DIAGNOSIS, done_words, month_words, sign_words, vet_sheet
from dewkeeper.web.errors import Refused
from dewkeeper.web.visit import Visit

LONGEST_DELAY_DAYS = 60
BOOK_WORDS = (*ABOUT_THE_ANIMAL, *MOVES)
"""Journal words about animals."""


def round_screen(visit: Visit) -> Response:
    """Show what is due, in the order of service, each with the tap that does it."""
    made = round_now(visit.past, visit.services.config, visit.now)
    return visit.render(
        "round.html", made=made, words=SERVING_WORDS, tools=QUARANTINE_TOOLS, uncounted=uncounted_lines(made)
    )


def round_did(visit: Visit) -> Response:
    """Write down that something due was done; what is not on the list any more is not done twice."""
    _, due = _found(visit)
    if due is None:
        return visit.go("/round", "gone")
    which = visit.text("tap", limit=3)
    if not which.isdecimal() or int(which) >= len(due.taps):
        raise Refused(400, "There is no such tap.")
    tap = due.taps[int(which)]
    said = visit.text("detail", required=False, limit=500)
    detail = ", ".join(part for part in (tap.detail, said) if part)
    request: dict[str, Any] = {"do": "journal", "what": tap.what, "enclosure": due.enclosure, "detail": detail}
    reply = visit.submit(request, _who(visit), f"round: {tap.label} {due.enclosure or ''}".strip())
    return visit.go("/round", visit.taken(reply, "journal"))


def round_later(visit: Visit) -> Response:
    """Put something due off until a day."""
    made, due = _found(visit)
    if due is None:
        return visit.go("/round", "gone")
    try:
        days = int(visit.text("days", limit=3))
    except ValueError:
        days = 0
    if not 1 <= days <= LONGEST_DELAY_DAYS:
        raise Refused(400, f"Say in how many days, 1 to {LONGEST_DELAY_DAYS}, please.")
    day = datetime.combine(made.day + timedelta(days), time(0), tzinfo=visit.wording.zone)
    request: dict[str, Any] = {"do": "journal", "what": "not_today", "enclosure": due.enclosure, "detail": due.key}
    reply = visit.submit(
        {**request, "until": int(day.timestamp())}, _who(visit), f"put off: {due.todo} {due.enclosure or ''}".strip()
    )
    return visit.go("/round", visit.taken(reply, "later"))


def _found(visit: Visit) -> tuple[ServiceRound, Due | None]:
    made = round_now(visit.past, visit.services.config, visit.now)
    enclosure = visit.text("enclosure", required=False, limit=60) or None
    return made, made.find(enclosure, visit.text("key", limit=200))


def grade_form(visit: Visit, entry: str) -> Response:
    """Show the form that grades a shed. It says nothing of the air, and asks before anything else is shown."""
    found = _shed(visit, entry)
    return visit.render("grade.html", entry=found, grade=grade_of(found.detail), caution_words=NEVER_PULL)


def grade(visit: Visit, entry: str) -> Response:
    """Complete a shed's entry by what was seen of it; where something stayed on, name the vet and advise nothing."""
    found = _shed(visit, entry)
    seen = [_answer(visit, name) for name in ("whole", "spectacles", "tail")]
    given = ShedGrade(*seen)
    # What the entry named before (of two snakes, which; what was noted) stays, unless it was a grade itself.
    kept = [
        part.strip()
        for part in found.detail.split(",")
        if grade_of(part) == ShedGrade() and part.strip(" ?").casefold()
    ]
    request: dict[str, Any] = {
        "do": "journal", "what": "shed", "enclosure": found.enclosure, "time": found.time, "replaces": found.id,
        "detail": ", ".join([*kept, given.words()]),
    }  # fmt: skip
    reply = visit.submit(request, _who(visit), f"graded the shed in {found.enclosure}")
    if given.retained:
        return visit.go(f"/vet/{'shed-eyes' if given.spectacles is False else 'shed-tail'}")
    back = f"/enclosure/{quote(found.enclosure or '', safe='')}" if visit.text("back", required=False) else "/round"
    return visit.go(back, visit.taken(reply, "journal"))


def _answer(visit: Visit, name: str) -> bool:
    given = visit.text(name, limit=3)
    if given not in ("yes", "no"):
        raise Refused(400, "Answer all three with yes or no, please: look at the shed and at the snake first.")
    return given == "yes"


def _shed(visit: Visit, entry: str) -> JournalEntry:
    found = next((e for e in visit.past.journal(0, words=("shed",)) if e.id == entry), None)
    if found is None or found.enclosure is None:
        raise Refused(404, "There is no such shed, or its entry was corrected.")
    return found


def _who(visit: Visit) -> str:
    return visit.session.who if visit.session else ""


def sheds(visit: Visit) -> Response:
    """Show sheds by animal, what was seen of them and, once graded, the air before; and what can be said of dry air."""
    known = animal_sheds(visit.past, animals(visit.past.journal(0, words=BOOK_WORDS), nameless=True))
    return visit.render("sheds.html", sheds=known, asked=questions(known), name_of=name_of, interval_words=interval_words,
                        grade_words=grade_words, air_lines=air_lines)  # fmt: skip


def vet_page(visit: Visit, name: str) -> Response:
    """Show the one page about an animal for a vet."""
    journal = visit.past.journal(0)
    animal = find_animal(animals(journal, nameless=True), name)
    if animal is None:
        raise Refused(404, "There is no such animal.")
    sheet = vet_sheet(visit.past, animal, journal, visit.wording, visit.now)
    return visit.render(
        "vet_sheet.html", sheet=sheet, vet=visit.services.config.web.vet_phone, month_words=month_words,
        sign_words=sign_words, done_words=done_words, grade_words=grade_words, no_diagnosis=NO_DIAGNOSIS,
    )  # fmt: skip


def away(visit: Visit) -> Response:
    """Show what happened while the keeper was away: alarms, what was done and by whom, and what nobody watched."""
    days = min(max(1, visit.request.args.get("days", 14, type=int)), 90)
    made = while_away(visit.past, visit.services.config, visit.now - days * 86400, visit.now)
    return visit.render("away.html", made=made, days=days, deeds=by_day(made.deeds, visit.wording))


def eggs(visit: Visit) -> Response:
    """Show the clutches: masses, what was lost beside the box's air, and when hatching is expected; heat first."""
    found = clutches(visit.past, visit.services.config, visit.past.journal(0, words=EGG_WORDS), visit.now)
    return visit.render(
        "eggs.html", clutches=[(one, clutch_lines(one, visit.wording)) for one in found], heat=HEAT_FIRST
    )
