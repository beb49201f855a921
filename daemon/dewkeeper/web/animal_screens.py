"""Animals on the page: who lives where, and of each its air month by month, weights, sheds, signs and what was done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote

from werkzeug.wrappers import Response

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.animal_facts import DESCRIBED, SEXES, AnimalFacts, is_hatch_date
from dewkeeper.report.animal_months import lived_months
from dewkeeper.report.animals import WHO_WORDS, Animal, animals, find_animal, stays
from dewkeeper.report.sheds import intervals, shed_cycles, ungraded
from dewkeeper.report.vet_sheet import SIGNS
from dewkeeper.report.weights import loss, weighings
from dewkeeper.web.errors import Refused
from dewkeeper.web.month_curves import month_curves, weights_curve
from dewkeeper.web.visit import Visit

LONGEST_NOTES: Final = 500
_MOST_ENTRIES: Final = 100
_MOST_WEIGHTS: Final = 60


def animals_screen(visit: Visit) -> Response:
    """Show every animal and where it lives, and the form that moves one."""
    known = animals(visit.past.journal(0, words=WHO_WORDS))
    return visit.render("animals.html", animals=known, enclosures=visit.services.config.enclosure)


def animal_screen(visit: Visit, name: str) -> Response:
    """Show one animal: its air by months, its weights drawn, sheds, signs, where it lived and what was noted of it.

    The air of a shed that is still to be graded is withheld: whoever grades must not know it.
    """
    found = _named(name, visit.past.journal(0))
    cycles, weights = shed_cycles(found), weighings(found.entries)
    hidden = ungraded(cycles)
    months, scale = month_curves(lived_months(visit.past, found, visit.wording.zone, visit.now, hidden), visit.wording)
    return visit.render(
        "animal.html", animal=found, words=JOURNAL, sexes=SEXES, months=months, scale=scale, weights=weights[::-1][:_MOST_WEIGHTS],
        weights_drawn=weights_curve(weights[-_MOST_WEIGHTS:], visit.wording), lost_share=loss(weights),
        sheds=[cycle for cycle in reversed(cycles) if cycle.shed is not None], apart=intervals(cycles),
        signs=[e for e in reversed(found.entries) if e.what in SIGNS][:_MOST_ENTRIES],
        entries=found.entries[::-1][:_MOST_ENTRIES], stays=stays(visit.past, found, visit.now, hidden),
    )  # fmt: skip


def describe(visit: Visit, name: str) -> Response:
    """Write down hatch date, sex and notes of an animal; the entry takes the place of the one before."""
    found = _named(name, visit.past.journal(0, words=WHO_WORDS))
    hatched, sex = visit.text("hatched", required=False, limit=10), visit.text("sex", required=False, limit=10)
    notes = " ".join(visit.text("notes", required=False, limit=LONGEST_NOTES).split())
    if hatched and not is_hatch_date(hatched):
        raise Refused(400, "Write the hatch date like 2021-06-03, 2021-06 or 2021, please.")
    if sex not in ("", *SEXES):
        raise Refused(400, "Say female or male, or leave it open, please.")
    request: dict[str, Any] = {
        "do": "journal", "what": DESCRIBED, "enclosure": found.home, "replaces": found.told or None,
        "detail": AnimalFacts(hatched, sex, notes).detail(found.name),
    }  # fmt: skip
    reply = visit.submit(request, visit.session.who if visit.session else "", f"described {found.name}")
    return visit.go(f"/animals/{quote(found.name, safe='')}", visit.taken(reply, "journal"))


def _named(name: str, journal: Sequence[JournalEntry]) -> Animal:
    found = find_animal([animal for animal in animals(journal) if animal.name], name)
    if found is None:
        raise Refused(404, "There is no such animal.")
    return found
