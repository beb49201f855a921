"""The screens: each reads a report and hands it to a template."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from urllib.parse import quote

from werkzeug.wrappers import Response

from dewkeeper.interchange import JOURNAL_HEADER, READINGS_HEADER, format_time, journal_cells
from dewkeeper.judge.stages import BAND, MOVES, Holding, band_of
from dewkeeper.judge.types import Event, JournalEntry
from dewkeeper.judge.words import FAULTS, JOURNAL, KINDS, WITHDRAWN
from dewkeeper.notify.people import ladder
from dewkeeper.notify.planner_state import Memory
from dewkeeper.report import enclosure as enclosure_report
from dewkeeper.report import morning as morning_report
from dewkeeper.report.ahead import water
from dewkeeper.report.animals import WHO_WORDS
from dewkeeper.report.animals import animals as animals_of
from dewkeeper.report.animals_file import animals_text
from dewkeeper.report.calibration_checks import checks, correction_words
from dewkeeper.report.contract import MoistPoint, Point, Trace, joined, moist
from dewkeeper.report.due import say_day
from dewkeeper.report.earlier import earlier_night, newest_night
from dewkeeper.report.enclosure import SPANS
from dewkeeper.report.first_line import age_words, first_line
from dewkeeper.report.glimpse import glimpse, glimpse_of
from dewkeeper.report.heat_words import heat_words
from dewkeeper.report.model import EnclosureMorning, Standing
from dewkeeper.report.morning_words import where_words
from dewkeeper.report.now import ProbeNow
from dewkeeper.report.now import now as now_report
from dewkeeper.report.past import StoredPast
from dewkeeper.report.standing import standing_now
from dewkeeper.report.where import where
from dewkeeper.report.wording import places, worth_telling
from dewkeeper.report.year_days import by_month, year_of
from dewkeeper.sampling.salts import CAUTION
from dewkeeper.web.change_picture import change_picture
from dewkeeper.web.chart import humidity_chart, looks, temperature_chart, vapour_chart
from dewkeeper.web.choices import BY_KEY, CHOICES, SEVERAL_GROUPS, beside_curves, fitting, often
from dewkeeper.web.deeds import LONGEST_STAGE_SECONDS
from dewkeeper.web.effects import effect_words, file_lines, stage_words
from dewkeeper.web.errors import Refused
from dewkeeper.web.outlook_band import humidity_outlook
from dewkeeper.web.small_curve import small_curves
from dewkeeper.web.squeeze import squeeze
from dewkeeper.web.visit import Visit

DAY_SECONDS = 86400
JOURNAL_DAYS = 31
ALARM_DAYS = 31
RENEW_SECONDS = 120
"""So often a browser fetches an overview anew: about as often as something new is read."""
OFTEN_DAYS = 60
EXPORT_DAYS = (1, 7, 31)
_TABLE_ROWS = 48
_MOST_ENTRIES = 100


def morning(visit: Visit) -> Response:
    """Show the night: one sentence, then every enclosure with its curve, the worst first, and the rack beside."""
    wanted = visit.request.args.get("night", "")
    if wanted:
        return _earlier(visit, wanted)
    return _overview(visit, "morning.html", numbers=visit.request.args.get("numbers") == "all")


def _earlier(visit: Visit, wanted: str) -> Response:
    """Show a night that is over, in the past tense, with the ways to the one before and the one after."""
    past, config = visit.past, visit.services.config
    try:
        day = date.fromisoformat(wanted)
        night = earlier_night(past, config, day, visit.now)
    except ValueError as error:
        raise Refused(
            404, "There is no such night: write the day it ended on like 2026-11-25; it must be over."
        ) from error
    newest = newest_night(config, visit.now)
    return visit.render(
        "earlier.html",
        night=night,
        curves=small_curves(night.enclosures, glimpse_of(past, night.night_start, night.night_end), visit.wording),
        before=day - timedelta(days=1),
        after=day + timedelta(days=1) if day < newest else None,
        newest=newest,
        say_day=say_day,
    )


def rack(visit: Visit) -> Response:
    """Show the racks as they stand on the floor, shelves from the top, with who lives there and the air of the room."""
    air: dict[str, list[ProbeNow]] = {}
    for probe in now_report(visit.past, visit.services.config, visit.now).probes:
        if probe.role == "room" and probe.room is not None:
            air.setdefault(probe.room, []).append(probe)
    return _overview(visit, "rack.html", living=living(visit.past), air=air)


def _overview(visit: Visit, template: str, **values: Any) -> Response:
    """Return a screen about all enclosures; it has no form, so a browser may fetch it anew by itself."""
    past, config = visit.past, visit.services.config
    glance = morning_report.morning(past, config, visit.now)
    racks = []
    for one in config.rack:
        rows = [row for row in glance.enclosures if row.rack == one.name]
        shelves: dict[int, list[EnclosureMorning]] = {}
        for row in sorted(rows, key=lambda r: (r.shelf, r.place)):
            shelves.setdefault(row.shelf, []).append(row)
        racks.append((one, shelves))
    answer = visit.render(
        template,
        glance=glance,
        racks=racks,
        places=where_words(glance, shelf=False),
        curves=small_curves(glance.enclosures, glimpse(past, glance), visit.wording),
        # Whether a silent site watches its tubs nobody knows here.
        sentence=first_line(glance) if visit.site is None or not visit.fell_silent else f"{visit.site.name} is silent",
        age=age_words(glance, visit.wording),
        newest=newest_night(config, visit.now),
        renew=visit.request.args.get("renew") != "no",
        **values,
    )
    if visit.request.args.get("renew") != "no":
        answer.headers["Refresh"] = f"{RENEW_SECONDS}; url={quote(visit.request.path)}"
    return squeeze(visit.request, answer)


def living(past: StoredPast) -> dict[str, list[str]]:
    """Return the names of the animals that live in each enclosure now."""
    found: dict[str, list[str]] = {}
    for animal in animals_of(past.journal(0, words=MOVES)):
        if animal.home is not None:
            found.setdefault(animal.home, []).append(animal.name)
    return found


def enclosure(visit: Visit, name: str) -> Response:
    """Show one enclosure: now, what stands, the curve of a night up to a year, and what to tell the journal."""
    config = visit.services.config
    if all(e.name != name for e in config.enclosure):
        raise Refused(404, "There is no such enclosure.")
    span = visit.request.args.get("span") or enclosure_report.default_span(visit.past, config, name, visit.now)
    if span not in SPANS:
        raise Refused(404, "There is no such span.")
    report = enclosure_report.enclosure(visit.past, config, name, span, visit.now)
    row = next(e for e in config.enclosure if e.name == name)
    learned = visit.past.learned(visit.now).get(name)
    lasting = water(visit.past, config, name, learned, visit.now)
    held = visit.past.in_force().holding(name, visit.now)
    room = enclosure_report.room_traces(visit.past, config, name, report.start, report.end)
    quick = often(row.kind, visit.past.journal(visit.now - OFTEN_DAYS * DAY_SECONDS))
    days = []
    if span == "year":
        days = year_of(visit.past, name, visit.wording.local(visit.now).date(), visit.wording.zone, visit.now)
    return visit.render(
        "enclosure.html",
        report=report,
        water=lasting,
        changed_by=[
            (said, change_picture(one, number, visit.wording))
            for number, (said, one) in enumerate(zip(lasting.changes, lasting.findings, strict=True))
        ],
        places=where(visit.past, config, name, learned, visit.now),
        heat=heat_words(learned, visit.now, visit.wording),
        months=by_month(days),
        changed=[day for day in days if day.changes],
        enclosure=row,
        spans=SPANS,
        span=span,
        humidity=humidity_chart(report, visit.wording, humidity_outlook(lasting.ahead, span), now=visit.now),
        temperature=temperature_chart(report, visit.wording, now=visit.now),
        vapour=vapour_chart(report, room, visit.wording, now=visit.now),
        around=[trace for trace in room if trace.points],
        drawn=[Drawn(trace, look, table(trace.points)) for trace, look in looks(report.traces) if trace.points],
        quick=quick,
        choices=beside_curves(row.kind, quick),
        judged_by=stage_words(config, name, held.stage, _first_end(held), visit.now, visit.wording, held.band),
        band=held.band,
        band_until=held.band_over,
        usual=stage_words(config, name, "", None, visit.now, visit.wording),
        stages=[c for items in fitting(row.kind).values() for c in items if JOURNAL[c.what].stage is not None],
        lines=file_lines(config, name),
        lines_for_good=file_lines(config, name, held.band),
        living=living(visit.past).get(name, []),
    )


def _first_end(held: Holding) -> int | None:
    """Return when the first of stage and timed band ends, so that other limits hold; None where neither does."""
    return min((over for over in (held.stage_over, held.band_over) if over >= 0), default=None)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A curve as the page tells of it in words: its line's pattern, and its numbers as rows."""

    trace: Trace
    look: str
    rows: Sequence[Point]

    @property
    def humid(self) -> Sequence[MoistPoint]:
        """Its points whose humidity was believed."""
        return moist(self.trace.points)


def table(points: Sequence[Point]) -> list[Point]:
    """Return a curve's points thinned to what a person can read: lowest and highest of each group are kept."""
    size = max(1, -(-len(points) // _TABLE_ROWS))
    groups = [points[i : i + size] for i in range(0, len(points), size)]
    return [joined(group, group[0].at, group[-1].at + group[-1].seconds - group[0].at) for group in groups]


def alarms(visit: Visit) -> Response:
    """Show what stands, with cause and advice and what can be done about it, what is out of service, and what was."""
    grouped: dict[str, list[Standing]] = {}
    for alarm in standing_now(
        visit.past, visit.services.config, visit.now
    ):  # worst first, and with it all of the same enclosure
        grouped.setdefault(alarm.subject, []).append(alarm)
    since = visit.now - ALARM_DAYS * DAY_SECONDS
    past: dict[str, list[Event]] = {}
    for event in worth_telling(visit.past.events(since))[::-1][:_MOST_ENTRIES]:
        past.setdefault(visit.wording.day(event.time, visit.now), []).append(event)
    resting = visit.past.in_force().resting(e.name for e in visit.services.config.enclosure)
    return visit.render(
        "alarms.html", grouped=grouped, past=past, resting=resting, places=places(visit.services.config)
    )


def journal(visit: Visit) -> Response:
    """Show what was done and seen, a hundred entries at a time, and the form to add to it; what was taken back struck through."""
    given = visit.request.args
    wanted, word = given.get("enclosure", ""), given.get("word", "")
    before = min(max(0, given.get("before", visit.now + 1, type=int)), visit.now + 1)
    since = before - JOURNAL_DAYS * DAY_SECONDS
    everything = visit.past.journal(since, replaced=True, enclosure=wanted or None)
    taken_back = {e.replaces: e for e in everything if e.what == WITHDRAWN and e.replaces is not None}
    gone = {e.replaces for e in everything} - set(taken_back)
    entries = [e for e in everything if e.id not in gone and e.what != WITHDRAWN and word in ("", e.what)]
    older = [entry for entry in entries if entry.time < before]
    # Pages are cut between seconds: what was written for many tubs at once has one, and none of it may fall between two.
    oldest = older[-_MOST_ENTRIES:][0].time if older else 0
    shown = [entry for entry in older if entry.time >= oldest]
    days: dict[str, list[JournalEntry]] = {}
    for entry in reversed(shown):
        days.setdefault(visit.wording.day(entry.time, visit.now), []).append(entry)
    chosen = BY_KEY.get(given.get("choice", ""))
    config = visit.services.config
    detail, until = _band_wanted(visit) if chosen is not None and chosen.what == BAND else ("", None)
    return visit.render(
        "journal.html",
        detail=detail,
        until=until,
        days=days,
        taken_back=taken_back,
        chosen=chosen,
        wanted=wanted,
        word=word,
        used=sorted({e.what for e in everything} & set(JOURNAL), key=lambda what: JOURNAL[what].label),
        ends=chosen is not None and JOURNAL[chosen.what].default_seconds > 0,
        effects=effect_words(
            config,
            wanted or None,
            chosen.what,
            visit.now,
            until,
            visit.now,
            visit.wording,
            detail=detail,
            stage=visit.past.in_force().stage(wanted, visit.now)[0],
        )
        if chosen is not None
        else [],
        words=JOURNAL,
        earlier=shown[0].time if len(shown) >= _MOST_ENTRIES else since,
        choices=CHOICES,
        enclosures=config.enclosure,
    )


def _band_wanted(visit: Visit) -> tuple[str, int | None]:
    """Return a timed band as the address gives it ("65-80"), and the UTC second at which its last day ends; what cannot be one is left out."""
    given = visit.request.args
    band = f"{given.get('low', '')}-{given.get('high', '')}"
    try:
        end = datetime.combine(date.fromisoformat(given.get("to", "")), time(23, 59), tzinfo=visit.wording.zone)
    except ValueError:
        return (band if band_of(band) else "", None)
    at = int(end.timestamp())
    # A later one would be refused; and the calendar's last evening is not to be shown west of Greenwich.
    return (band if band_of(band) else "", at if visit.now < at <= visit.now + LONGEST_STAGE_SECONDS else None)


def several(visit: Visit) -> Response:
    """Show the form that tells the journal of several tubs at once, shelf by shelf, or keeps them quiet for a while."""
    shelves: dict[tuple[str, int], list[str]] = {}
    for one in sorted(visit.services.config.enclosure, key=lambda e: (e.rack, e.shelf, e.place)):
        shelves.setdefault((one.rack, one.shelf), []).append(one.name)
    given = visit.request.args
    ticked = set(given.getlist("tub"))
    for (rack, shelf), names in shelves.items():
        if given.get("shelf") == f"{rack}/{shelf}":
            ticked |= set(names)
    choices = {
        group: [c for c in items if c.what not in MOVES] for group, items in CHOICES.items() if group in SEVERAL_GROUPS
    }
    return visit.render("several.html", shelves=shelves, ticked=ticked, choices=choices, chosen=given.get("choice", ""))


def leave(visit: Visit) -> Response:
    """Show who is told first, and the form to go away or come back."""
    config = visit.services.config
    until = Memory.load(visit.past.notes().get("planner")).away_until
    gone = until is not None and until > visit.now
    return visit.render(
        "leave.html",
        until=until if gone else None,
        first=[person.name for person in ladder(config, away=gone)[0]],
        then=[person.name for person in ladder(config, away=True)[0]],
        sitters=[person.name for person in config.person if person.sitter],
        standing=[a for a in standing_now(visit.past, config, visit.now) if a.state != "returned_unacknowledged"],
    )


def journal_entry(visit: Visit, entry: str) -> Response:
    """Show one entry with its earlier versions, and the form to correct it."""
    everything = visit.past.journal(0, replaced=True)
    found = next((e for e in everything if e.id == entry), None)
    if found is None:
        raise Refused(404, "There is no such entry.")
    earlier, one = [], found
    while one.replaces is not None:
        before = next((e for e in everything if e.id == one.replaces), None)
        # An imported journal may hold entries that replace each other in a circle.
        if before is None or before in earlier:
            break
        earlier.append(before)
        one = before
    current = next((c.key for c in BY_KEY.values() if c.what == found.what and found.detail.startswith(c.detail)), "")
    rest = found.detail.removeprefix(BY_KEY[current].detail).removeprefix(", ") if current else found.detail
    return visit.render(
        "entry.html",
        entry=found,
        earlier=earlier,
        words=JOURNAL,
        choices=CHOICES,
        current=current,
        rest=rest,
        enclosures=visit.services.config.enclosure,
        replaced=any(e.replaces == entry for e in everything),
    )


def probes(visit: Visit) -> Response:
    """Show every probe, the doubtful first: where it is, what it read last, whether it is believed, what befell it."""
    glance = now_report(visit.past, visit.services.config, visit.now)
    places = {p.name: p for p in visit.services.config.probe}
    befell: dict[str, dict[str, int]] = {}
    for event in visit.past.events(visit.now - ALARM_DAYS * DAY_SECONDS):
        if event.kind in FAULTS and event.event == "raised" and event.probe is not None:
            counts = befell.setdefault(event.probe, {})
            counts[KINDS[event.kind].label] = counts.get(KINDS[event.kind].label, 0) + 1
    checked = checks(visit.past.calibrations(), visit.services.config, visit.past.learned(visit.now), visit.now)
    return visit.render(
        "probes.html",
        probes=sorted(glance.probes, key=lambda p: p.trust == "measured"),
        together=[a for a in glance.general if a.kind in FAULTS],
        places=places,
        befell=befell,
        kinds=KINDS,
        checks={check.probe: check for check in checked},
        correction_words=correction_words,
        salts=CAUTION,
    )


def health(visit: Visit) -> Response:
    """Show dewkeeper's own health, the sitter's links and who did what."""
    memory = visit.services.memory
    return visit.render(
        "health.html",
        lines=visit.services.health(),
        sitters=memory.sitters(visit.now),
        audited=memory.audited()[:40],
    )


def export(visit: Visit) -> Response:
    """Offer the journal and the readings as files."""
    return visit.render("export.html", enclosures=visit.services.config.enclosure, days=EXPORT_DAYS)


def export_journal(visit: Visit) -> Response:
    """Return the whole journal as a CSV file, from which `dewkeeper import` makes the same book again."""
    rows = [journal_cells(entry) for entry in visit.past.journal(0, replaced=True)]
    return _csv("journal.csv", [[*JOURNAL_HEADER], *rows])


def export_animals(visit: Visit) -> Response:
    """Return who lived where, and what each animal is, as a CSV file that `dewkeeper import --animals` reads."""
    return _csv("animals.csv", list(animals_text(animals_of(visit.past.journal(0, words=WHO_WORDS)))))


def export_readings(visit: Visit) -> Response:
    """Return what the probes of one enclosure measured lately as a CSV file: means of five minutes, of readings believed whole."""
    name = visit.request.args.get("enclosure", "")
    if all(e.name != name for e in visit.services.config.enclosure):
        raise Refused(404, "There is no such enclosure.")
    days = visit.request.args.get("days", 7, type=int)
    if days not in EXPORT_DAYS:
        raise Refused(404, "So many days are not offered.")
    start = visit.now - days * DAY_SECONDS
    rows = [
        [format_time(point.at), trace.probe, f"{point.temperature_c:.2f}", f"{point.humidity_percent:.1f}"]
        for trace in visit.past.traces(name, start, visit.now, days * 288)
        # A readings file has no value without the other: what was believed of the temperature alone is not in it.
        for point in moist(trace.points)
    ]
    rows.sort(key=lambda row: (row[0], row[1]))
    return _csv(f"{name}.csv", [[*READINGS_HEADER], *rows])


def _csv(name: str, rows: Sequence[Sequence[str]]) -> Response:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    # The form for names beyond ASCII (RFC 8187), which enclosures have.
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    return Response(text.getvalue(), content_type="text/csv; charset=utf-8", headers=headers)


def vet(visit: Visit, choice: str) -> Response:
    """After a sign of illness was written down: whom to call, and no advice."""
    if choice not in BY_KEY:
        raise Refused(404, "There is no such page.")
    return visit.render("vet.html", vet=visit.services.config.web.vet_phone, label=BY_KEY[choice].label)


def cautions(visit: Visit) -> Response:
    """Show what numbers cannot do for a snake."""
    return visit.render("cautions.html", vet=visit.services.config.web.vet_phone, salts=CAUTION)
