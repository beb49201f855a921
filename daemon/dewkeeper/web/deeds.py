"""What the keeper does through the page: acknowledge, shelve, out of service, journal. Every one is a command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote, urlencode

from werkzeug.wrappers import Response

from dewkeeper.judge.stages import MOVES
from dewkeeper.judge.words import JOURNAL, LONGEST_SUPPRESSION_SECONDS, WITHDRAWN
from dewkeeper.report.quarantine import leaving_quarantine
from dewkeeper.report.sheds import grade_of
from dewkeeper.web.choices import BY_KEY, CAUTIONS, HAS_SHED, asks_for_vet
from dewkeeper.web.drafts import local_path
from dewkeeper.web.effects import quiet_until
from dewkeeper.web.errors import Refused
from dewkeeper.web.visit import Visit

LONGEST_REVIEW_HOURS = 366 * 24.0
MOST_AT_ONCE: Final = 130
LONGEST_STAGE_SECONDS: Final = 400 * 86400
MINUTE: Final = "%Y-%m-%dT%H:%M"
"""How a form writes a local time."""
EVERYWHERE = "*"
"""What the form sends for an entry about no enclosure in particular: chosen, not left empty by mistake."""


def acknowledge(visit: Visit, alarm: str) -> Response:
    """Say that the keeper has seen an alarm and sees to it."""
    request: dict[str, Any] = {"do": "acknowledge", "alarm": alarm, "why": visit.text("why", required=False)}
    return _after(visit, visit.submit(request, _who(visit), f"saw {alarm[:8]}"), "seen", "/alarms")


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
    reply = visit.submit(request, _who(visit), f"{name} {way} of service" if way == "out" else f"{name} in service")
    return _after(visit, reply, "service", f"/enclosure/{quote(name, safe='')}")


def write(visit: Visit) -> Response:
    """Add a journal entry: a choice, an enclosure, and if wanted a time in the past and a detail."""
    choice, enclosure, detail = _entry(visit)
    what = BY_KEY[choice].what
    request: dict[str, Any] = {"do": "journal", "what": what, "enclosure": enclosure, "detail": detail}
    at = visit.moment("at")
    if at is not None:
        request["time"] = at
    # Asked back once: who leaves quarantine for the rack may carry something there.
    if what == "moved_in" and enclosure is not None and not visit.text("sure", required=False, limit=3):
        asked = leaving_quarantine(
            visit.past, visit.services.config, detail, enclosure, visit.now if at is None else at
        )
        if asked:
            return visit.render(
                "crossing.html", asked=asked, enclosure=enclosure, detail=detail, at=visit.request.form.get("at", "")
            )
    if visit.text("until", required=False):
        request["until"] = _end_of(visit, BY_KEY[choice].what, visit.now)
    reply = visit.submit(request, _who(visit), f"journal: {BY_KEY[choice].label} {enclosure or ''}".strip())
    # Whom to call comes before anything else that would be shown now.
    if asks_for_vet(BY_KEY[choice].what, detail):
        return visit.go(f"/vet/{choice}")
    back = visit.text("back", required=False)
    # An entry that is not stored yet has no form on which it could be graded.
    if choice == HAS_SHED and enclosure is not None and not grade_of(detail).complete and not reply.get("not_recorded"):
        return visit.go(f"/sheds/{reply['id']}", "journal")
    if back == "animals":
        back = "/animals"
    else:
        back = f"/enclosure/{quote(enclosure, safe='')}" if back and enclosure else "/journal"
    return _after(visit, reply, "journal", f"{back}?care={choice}" if choice in CAUTIONS else back, wrote=[reply["id"]])


def correct(visit: Visit, entry: str) -> Response:
    """Replace a journal entry by a corrected one; the old one is kept, marked as replaced.

    What the form leaves as it was stays so to the second: it shows minutes.
    """
    found = next((e for e in visit.past.journal(0) if e.id == entry), None)
    if found is None:
        raise Refused(404, "There is no such entry, or it was already corrected.")
    choice, enclosure, detail = _entry(visit)
    what = BY_KEY[choice].what
    request: dict[str, Any] = {"do": "journal", "what": what, "enclosure": enclosure, "detail": detail}
    request["replaces"] = entry
    at = visit.moment("at")
    if at is None:
        raise Refused(400, "Say when it was, please.")
    request["time"] = found.time if _unchanged(visit, "at", found.time) else at
    if what == found.what and _unchanged(visit, "until", found.until):
        request["until"] = found.until
    elif JOURNAL[what].default_seconds and visit.text("until", required=False):
        request["until"] = _end_of(visit, what, request["time"])
    reply = visit.submit(request, _who(visit), f"corrected the journal: {BY_KEY[choice].label}")
    if asks_for_vet(what, detail):
        return visit.go(f"/vet/{choice}")
    return _after(visit, reply, "corrected", "/journal", wrote=[reply["id"]])


def _unchanged(visit: Visit, name: str, before: int | None) -> bool:
    """Return whether a field of the form says what it said before, or was not in it."""
    given = visit.request.form.get(name)
    return given is None or (before is not None and given == visit.wording.local(before).strftime(MINUTE))


def undo(visit: Visit) -> Response:
    """Take back what was just written down, all of it; the journal keeps it, struck through."""
    wanted = visit.request.form.getlist("entry")[:MOST_AT_ONCE]
    found = [entry for entry in visit.past.journal(0) if entry.id in wanted and entry.what != WITHDRAWN]
    if not found:
        raise Refused(404, "There is no such entry, or it was already taken back.")
    reply: Mapping[str, Any] = {}
    for entry in found:
        label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
        request = {
            "do": "journal", "what": WITHDRAWN, "enclosure": entry.enclosure, "time": entry.time,
            "detail": ", ".join(part for part in (label, entry.detail) if part), "replaces": entry.id,
        }  # fmt: skip
        reply = visit.submit(request, _who(visit), f"took back: {label} {entry.enclosure or ''}".strip())
        if (
            entry.enclosure
            and entry.what in JOURNAL
            and max(quiet_until(entry.what, entry.time).values(), default=0) > visit.now
        ):
            # What did not happen explains nothing: what it kept quiet is told.
            visit.submit(
                {"do": "unsuppress", "enclosure": entry.enclosure}, _who(visit), f"told again: {entry.enclosure}"
            )
    return _after(visit, reply, "undone", local_path(visit.text("back", required=False) or "/journal"))


def several(visit: Visit) -> Response:
    """Write the same into the journal for several enclosures, or keep them quiet while somebody works at them."""
    names = list(dict.fromkeys(visit.request.form.getlist("tub")))[:MOST_AT_ONCE]
    if not names:
        raise Refused(400, "Tick the tubs it is about, please.")
    for name in names:
        _known(visit, name)
    if visit.text("way", required=False) in ("quiet", "told"):
        return _quiet(visit, names)
    key = visit.text("choice", limit=40)
    if key not in BY_KEY or BY_KEY[key].what in MOVES:
        raise Refused(400, "Choose what you did, please.")
    said, at = visit.text("detail", required=False), visit.moment("at")
    detail = ", ".join(part for part in (BY_KEY[key].detail, said) if part)
    written, reply = [], {}
    for name in names:
        request: dict[str, Any] = {"do": "journal", "what": BY_KEY[key].what, "enclosure": name, "detail": detail}
        if at is not None:
            request["time"] = at
        reply = dict(visit.submit(request, _who(visit), f"journal: {BY_KEY[key].label} {name}"))
        written.append(str(reply["id"]))
    return _after(visit, reply, "journal", f"/journal?care={key}" if key in CAUTIONS else "/journal", wrote=written)


def _quiet(visit: Visit, names: Sequence[str]) -> Response:
    told = visit.text("way") == "told"
    reply: Mapping[str, Any] = {}
    for name in names:
        request: dict[str, Any] = {"do": "unsuppress" if told else "suppress", "enclosure": name}
        if not told:
            request |= {"until": visit.hours("hours", LONGEST_SUPPRESSION_SECONDS / 3600), "why": "working at it"}
        reply = visit.submit(request, _who(visit), f"{'told again' if told else 'quiet while working'}: {name}")
    back = f"/enclosure/{quote(names[0], safe='')}" if len(names) == 1 else "/several"
    return _after(visit, reply, "told" if told else "quiet", back)


def leave(visit: Visit) -> Response:
    """Go away until a day: the sitter is told first; or come back. What stands is handed over."""
    if visit.text("way", limit=4) == "back":
        return _after(visit, visit.submit({"do": "back"}, _who(visit), "is back"), "back", "/away")
    until = visit.moment("until")
    if until is None:
        raise Refused(400, "Say until when you are away, please.")
    request = {"do": "away", "until": until, "why": visit.text("why", required=False)}
    return _after(visit, visit.submit(request, _who(visit), "is away"), "away", "/leave")


def _end_of(visit: Visit, what: str, after: int) -> int:
    """Return when a stage ends as the form says, later than `after` (UTC seconds). Raises Refused."""
    until = visit.moment("until")
    if not JOURNAL[what].default_seconds:
        raise Refused(400, "Only a stage, or limits for a time, has an end; leave it empty, please.")
    if until is None or not after < until <= after + LONGEST_STAGE_SECONDS:
        raise Refused(400, "It ends later than now, or than it began, and within 400 days.")
    return until


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


def _after(visit: Visit, reply: Mapping[str, Any], said: str, path: str, wrote: Sequence[str] = ()) -> Response:
    """Lead back to a screen, which says what was done; wrote: ids of the entries it may take back."""
    # Nor is it there to be taken back.
    if reply.get("not_recorded"):
        return visit.go(path, visit.taken(reply, said))
    mark = "&" if "?" in path else "?"
    return visit.go(path + (mark + urlencode([("wrote", one) for one in wrote]) if wrote else ""), said)


def _who(visit: Visit) -> str:
    return visit.session.who if visit.session else ""
