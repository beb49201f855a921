"""What the keeper does through the page: acknowledge, shelve, out of service, journal. Every one is a command."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from werkzeug.wrappers import Response

from dewkeeper.report.quarantine import leaving_quarantine
from dewkeeper.web.choices import BY_KEY, CAUTIONS, asks_for_vet
from dewkeeper.web.errors import Refused
from dewkeeper.web.visit import Visit

LONGEST_REVIEW_HOURS = 366 * 24.0
EVERYWHERE = "*"
"""What the form sends for an entry about no enclosure in particular: chosen, not left empty by mistake."""


def acknowledge(visit: Visit, alarm: str) -> Response:
    """Say that the keeper has seen an alarm and sees to it."""
    request = {"do": "acknowledge", "alarm": alarm, "why": visit.text("why", required=False)}
    return _after(visit, visit.submit(request, _who(visit), f"acknowledged {alarm[:8]}"), "seen", "/alarms")


def shelve(visit: Visit, alarm: str) -> Response:
    """Put one alarm aside for at most 24 hours, with a reason."""
    request = {"do": "shelve", "alarm": alarm, "why": visit.text("why"), "until": visit.hours("hours", 24)}
    return _after(visit, visit.submit(request, _who(visit), f"shelved {alarm[:8]}"), "shelved", "/alarms")


def unshelve(visit: Visit, alarm: str) -> Response:
    """Bring a shelved alarm back."""
    request = {"do": "unshelve", "alarm": alarm}
    return _after(visit, visit.submit(request, _who(visit), f"unshelved {alarm[:8]}"), "unshelved", "/alarms")


def service(visit: Visit, name: str) -> Response:
    """Take an enclosure out of service, with a reason and a review date, or back in."""
    _known(visit, name)
    way = visit.text("way", limit=3)
    if way == "out":
        until = visit.hours("hours", LONGEST_REVIEW_HOURS)
        request = {"do": "out_of_service", "enclosure": name, "why": visit.text("why"), "until": until}
    elif way == "in":
        request = {"do": "in_service", "enclosure": name}
    else:
        raise Refused(400, "Say “out” or “in”, please.")
    recorded = visit.submit(request, _who(visit), f"{name} {way} of service" if way == "out" else f"{name} in service")
    return _after(visit, recorded, "service", f"/enclosure/{quote(name, safe='')}")


def write(visit: Visit) -> Response:
    """Add a journal entry: a choice, an enclosure, and if wanted a time in the past and a detail."""
    choice, enclosure, detail = _entry(visit)
    what = BY_KEY[choice].what
    request: dict[str, Any] = {"do": "journal", "what": what, "enclosure": enclosure, "detail": detail}
    at = visit.moment("at")
    if at is not None:
        request["time"] = at
    if what == "moved_in" and enclosure is not None and not visit.text("sure", required=False, limit=3):
        asked = leaving_quarantine(
            visit.past, visit.services.config, detail, enclosure, visit.now if at is None else at
        )
        if asked:
            return visit.render(
                "crossing.html", asked=asked, enclosure=enclosure, detail=detail, at=visit.request.form.get("at", "")
            )
    recorded = visit.submit(request, _who(visit), f"journal: {BY_KEY[choice].label} {enclosure or ''}".strip())
    if asks_for_vet(BY_KEY[choice].what, detail):
        return visit.go(f"/vet/{choice}")
    back = visit.text("back", required=False)
    if back == "animals":
        back = "/animals"
    else:
        back = f"/enclosure/{quote(enclosure, safe='')}" if back and enclosure else "/journal"
    return _after(visit, recorded, "journal", f"{back}?care={choice}" if choice in CAUTIONS else back)


def correct(visit: Visit, entry: str) -> Response:
    """Replace a journal entry by a corrected one; the old one is kept, marked as replaced."""
    if not any(e.id == entry for e in visit.past.journal(0)):
        raise Refused(404, "There is no such entry, or it was already corrected.")
    choice, enclosure, detail = _entry(visit)
    what = BY_KEY[choice].what
    request: dict[str, Any] = {"do": "journal", "what": what, "enclosure": enclosure, "detail": detail}
    request["replaces"] = entry
    at = visit.moment("at")
    if at is None:
        raise Refused(400, "Say when it was, please.")
    request["time"] = at
    recorded = visit.submit(request, _who(visit), f"corrected the journal: {BY_KEY[choice].label}")
    if asks_for_vet(what, detail):
        return visit.go(f"/vet/{choice}")
    return _after(visit, recorded, "corrected", "/journal")


def test_paths(visit: Visit) -> Response:
    """Send one real message over every way there is; a tap on it confirms that it arrived."""
    visit.submit({"do": "notify_test"}, _who(visit), "sent a test message over every way")
    return visit.go("/health", "tested")


def _entry(visit: Visit) -> tuple[str, str | None, str]:
    key = visit.text("choice", limit=40)
    if key not in BY_KEY:
        raise Refused(400, "Choose what you did or saw, please.")
    enclosure = visit.text("enclosure", required=False, limit=60).removeprefix(EVERYWHERE) or None
    if enclosure is not None:
        _known(visit, enclosure)
    said = visit.text("detail", required=False)
    if BY_KEY[key].what == "moved_in" and (enclosure is None or not said):
        raise Refused(400, "Say which snake moved in where, please: a name and an enclosure.")
    return key, enclosure, ", ".join(part for part in (BY_KEY[key].detail, said) if part)


def _known(visit: Visit, name: str) -> None:
    if all(e.name != name for e in visit.services.config.enclosure):
        raise Refused(404, "There is no such enclosure.")


def _after(visit: Visit, recorded: bool, said: str, path: str) -> Response:
    return visit.go(path, said if recorded else "waiting")


def _who(visit: Visit) -> str:
    return visit.session.who if visit.session else ""
