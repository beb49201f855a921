"""The page over all sites: which is silent, which has something to see to, and each site's own screens to look at.

A site that fell silent is said first, and nothing it sent is told as of now. Acting stays with each site's own page.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple
from urllib.parse import quote

from werkzeug.wrappers import Response

from dewkeeper.collect.there import SaidThere, SiteThere
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.model import RANKS, Rank, Standing
from dewkeeper.report.morning import morning as morning_of
from dewkeeper.report.morning_words import off_line
from dewkeeper.report.off_times import off_times
from dewkeeper.report.order import Need, alarm_order
from dewkeeper.report.site_line import MOST_TUBS, SiteSaid, TubLine, read_said, site_said
from dewkeeper.report.standing import probes_asked, standing_now
from dewkeeper.report.standing import standing as standing_of
from dewkeeper.report.wording import Wording
from dewkeeper.store.errors import StoreError
from dewkeeper.web import screens
from dewkeeper.web.squeeze import squeeze
from dewkeeper.web.visit import HealthLine, Visit, site_root

log = logging.getLogger(__name__)

Handler = Callable[..., Response]
LONGEST_SECONDS = 10.0
"""A screen of hundreds of sites that all sent is not waited for longer: a browser fetches it anew in two minutes."""
_THEN = "what it said until then is below, and nothing is known of it since"
_MOST_ENTRIES = 100
_MOST_ALARMS = 40
_COUNTED: Mapping[str, str] = {
    "silent": "silent", "untold": "not to be shown", "urgent": "to act on now", "unwatched": "unwatched", "alarm": "to see to",
    "outside": "beyond limits in the night", "shelved": "with something shelved", "out_of_service": "out of service", "calm": "calm",
    "well": "all well", "released": "released",
}  # fmt: skip
"""What follows the number of sites, in the order of need."""


class TubRow(NamedTuple):
    """An enclosure of a site that needs a look. path: where it is shown."""

    path: str
    said: TubLine


@dataclass(frozen=True, slots=True)
class SiteLine:
    """A site on the first screen. state: what it is counted as; more: so many enclosures that need a look have no row."""

    name: str
    root: str
    state: str
    rank: Rank
    word: str
    words: str
    order: tuple[int, int, str]
    step: str = ""
    rows: tuple[TubRow, ...] = ()
    more: int = 0


def of_site(screen: Handler) -> Handler:
    """Return a screen of a site's own page as one of the page over all."""

    def answer(visit: Visit, number: int, **values: str) -> Response:
        return screen(visit.of(visit.find_site(number)), **values)

    return answer


class FirstScreen:
    """The morning of all sites, as each tells it itself when it sends. Those that do not, of an older version, are asked of the
    server, and what was told of them is kept until they send again: until then it would be the same.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._told: dict[int, tuple[float | None, SiteLine]] = {}

    def show(self, visit: Visit) -> Response:
        """Show the silent first, then the worst: what needs a look, by site and enclosure.

        When the time is up, sites not looked at yet have the line of before, or say so: the next look begins with them.
        """
        began, lines = visit.services.wall(), []
        said = visit.services.sites.said() if visit.services.sites is not None else {}
        # Those not looked at for longest first: where time runs out, it is not always the same ones that wait.
        for site in sorted(_sites(visit), key=self._looked_at):
            line = _untold(visit, site) or _by_itself(visit, site, said.get(site.number))
            lines.append(line or self._line(visit, site, late=visit.services.wall() - began > LONGEST_SECONDS))
        lines.sort(key=lambda line: line.order)
        found = Counter(line.state for line in lines)
        sentence = ", ".join(f"{found[state]} {words}" for state, words in _COUNTED.items() if found[state])
        renew = visit.request.args.get("renew") != "no"
        answer = visit.render("over_all.html", lines=lines, sentence=sentence or "No site yet", renew=renew)
        if renew:
            answer.headers["Refresh"] = f"{screens.RENEW_SECONDS}; url=/"
        return squeeze(visit.request, answer)

    def _looked_at(self, site: SiteThere) -> float:
        """Return of what sending a site was looked at last, 0 for never."""
        with self._lock:
            return self._told.get(site.number, (None, None))[0] or 0.0

    def _line(self, visit: Visit, site: SiteThere, *, late: bool) -> SiteLine:
        with self._lock:
            sent, line = self._told.get(site.number, (None, None))
        fresh = line is not None and sent == site.sent and line.name == site.name
        if late and not fresh:
            if line is None:
                return _not_to_be_shown(site, "not looked at yet: the next look begins with it")
            said = f"{line.word} (when it sent before; the next look begins with it)"
            return replace(line, word=said)
        if line is None or not fresh:
            try:
                if site.config is None:
                    return _not_to_be_shown(site, site.untold)
                theirs = visit.of(site)
                line = _told(site_said(morning_of(theirs.past, site.config, theirs.now), theirs.wording), site)
            except StoreError as error:
                return _not_to_be_shown(site, f"it cannot be asked just now: {error}")
            with self._lock:
                self._told[site.number] = site.sent, line
        return line


def alarms(visit: Visit) -> Response:
    """Show what stands anywhere, the most needed first, each with its site; of very many the first, and how many more there are."""
    found: list[_Stands] = []
    untold: list[str] = []
    there = visit.services.sites
    standing = there.standing() if there is not None else {}
    # Which are the first is seen from the alarms alone; what is said of them takes questions to each site.
    every = [
        (*_stands_order(standing_of(alarm), visit.now, visit.silent(site)), site.number)
        for site in _sites(visit)
        for alarm in standing.get(site.number, ())
    ]
    wanted = {number for *_, number in sorted(every)[:_MOST_ALARMS]}
    shown = list(_shown(visit, wanted, untold))
    asked = {site.number: probes_asked(standing[site.number], theirs.services.config) for site, theirs in shown}
    latest = there.latest(asked) if there is not None else {}
    for site, theirs in shown:
        config, now, alarms = theirs.services.config, theirs.now, standing[site.number]
        try:
            found += [
                _Stands(site.name, theirs.root, alarm, theirs.wording, now, theirs.fell_silent)
                for alarm in standing_now(theirs.past, config, now, latest.get(site.number, {}), alarms)
            ]
        except StoreError as error:
            untold.append(f"{site.name} cannot be asked just now: {error}")
    own = len([alarm for alarm in visit.past.standing() if alarm.state != "normal"])
    return visit.render(
        "over_alarms.html",
        standing=sorted(found, key=lambda one: _stands_order(one.alarm, one.now, one.silent)),
        more=max(0, len(every) - len(found)),
        untold=untold,
        own=f"{own} alarm{'s' if own > 1 else ''}" if own else "",
    )


def _stands_order(alarm: Standing, now: int, silent: bool) -> tuple[bool, tuple[bool, Need]]:
    """Return what to sort by, as on the first screen: of what fell silent nobody knows what became of it."""
    return not silent, alarm_order(alarm, now)


@dataclass(frozen=True, slots=True)
class _Stands:
    site: str
    root: str
    alarm: Standing
    w: Wording
    now: int
    silent: bool


@dataclass(frozen=True, slots=True)
class _Noted:
    site: str
    root: str
    entry: JournalEntry
    w: Wording


def journal(visit: Visit) -> Response:
    """Show what was done and seen anywhere, the newest first, each with its site and by that site's clock."""
    before = min(max(0, visit.request.args.get("before", visit.now + 1, type=int)), visit.now + 1)
    since = before - screens.JOURNAL_DAYS * screens.DAY_SECONDS
    there = visit.services.sites
    entries = there.journal(since, before, _MOST_ENTRIES) if there is not None else ()
    untold: list[str] = []
    shown = {site.number: (site, theirs) for site, theirs in _shown(visit, {number for number, _ in entries}, untold)}
    days: dict[str, list[_Noted]] = {}
    for number, entry in entries:
        if number in shown:
            site, theirs = shown[number]
            one = _Noted(site.name, theirs.root, entry, theirs.wording)
            days.setdefault(one.w.day(entry.time, visit.now), []).append(one)
    earlier = entries[-1][1].time if len(entries) >= _MOST_ENTRIES else since
    return visit.render("over_journal.html", days=days, earlier=earlier, untold=untold)


def site_health(visit: Visit) -> Response:
    """Show of a site's own health what the server holds: when it was heard, what it said is wrong with it, when it was off."""
    w, heard, now = visit.wording, visit.wording.stamp(visit.now), visit.now
    standing = [a.cause for a in visit.past.standing() if a.kind == "system" and a.state != "normal"]
    off = [
        off_line(one, w, now)
        for one in off_times(visit.past.notes())
        if one.end > now - screens.ALARM_DAYS * screens.DAY_SECONDS
    ]
    lines = [
        HealthLine("sending on", not visit.fell_silent, f"last heard {heard}" + (", not known since" if visit.fell_silent else "")),
        HealthLine("own alarms", not standing, "; ".join(standing) or "none"),
        HealthLine("off in the last month", not off, "; ".join(off) or "never, as far as it said"),
    ]  # fmt: skip
    return visit.render("health.html", lines=sorted(lines, key=lambda line: line.well is not False))


def _sites(visit: Visit) -> Sequence[SiteThere]:
    return visit.services.sites.sites() if visit.services.sites is not None else ()


def _shown(visit: Visit, wanted: Collection[int], untold: list[str]) -> Iterator[tuple[SiteThere, Visit]]:
    """Yield each of these sites that can be shown, and the visit to its screens.

    `untold` gets what is to be said of silent ones, of those that cannot be shown, and of how many there was no time for.
    """
    began, late = visit.services.wall(), 0
    if visit.services.sites is not None:
        visit.services.sites.read_layouts(wanted)
    for site in _sites(visit):
        silent, asked = visit.silent(site), site.number in wanted
        if silent:
            untold.append(_silence(visit, site) + (f"; {_THEN}" if asked and site.config is not None else ""))
        if not asked:
            continue
        if visit.services.wall() - began > LONGEST_SECONDS:
            late += 1
        elif site.config is not None:
            yield site, visit.of(site)
        elif not silent:
            untold.append(f"{site.name} cannot be shown: {site.untold}")
    if late:
        untold.append(f"for {late} more sites there was no time: look at them one by one")


def _silence(visit: Visit, site: SiteThere) -> str:
    if site.ago_seconds is None:
        return f"{site.name} was let in and has never sent anything"
    w = visit.wording if site.config is None else Wording.of(site.config.site, space="\u00a0")
    return f"nothing has come from {site.name} since {w.stamp(visit.now - int(site.ago_seconds))}"


def _untold(visit: Visit, site: SiteThere) -> SiteLine | None:
    """Return the line of a site of which nothing is told as of now, None of any other."""
    root = site_root(site)
    if not site.expected:
        words = f"nothing is expected of it any more; {_silence(visit, site)}"
        return SiteLine(site.name, root, "released", "out_of_service", "released", words, (9, 0, site.name))
    if not visit.silent(site):
        return None
    words = _silence(visit, site)
    if site.ago_seconds is not None:
        words += f", for {visit.wording.lasting(int(site.ago_seconds))}: nothing is known of it since"
    step = "call who is there; look at its power, its network and the Pi itself"
    order = (0, -int(site.ago_seconds or 0), site.name)
    return SiteLine(site.name, root, "silent", "urgent", "silent", words, order, step)


def _not_to_be_shown(site: SiteThere, why: str) -> SiteLine:
    return SiteLine(site.name, site_root(site), "untold", "unwatched", "cannot be shown", why, (1, 0, site.name))


def _by_itself(visit: Visit, site: SiteThere, said: SaidThere | None) -> SiteLine | None:
    """Return the line of a site as it says itself, None of one that says nothing that is understood here."""
    if said is None:
        return None
    try:
        told = read_said(said.said)
    except ValueError as error:
        log.info("%s: %s", site.name, error)
        return None
    if visit.too_long((site.sent or 0.0) + (site.ago_seconds or 0.0) - said.told):
        why = "it is sending what it stored while it was not heard, and tells of its morning when that is done"
        return replace(_not_to_be_shown(site, why), word="catching up")
    return _told(told, site)


def _told(said: SiteSaid, site: SiteThere) -> SiteLine:
    root, tubs = site_root(site), said.tubs[:MOST_TUBS]
    rows = tuple(TubRow(f"{root}/enclosure/{quote(one.enclosure, safe='')}", one) for one in tubs)
    # Behind the silent (0) and those that cannot be shown (1).
    order = (2 + RANKS.index(said.rank), -said.look, site.name)
    return SiteLine(
        site.name, root, said.state, said.rank, said.word, "", order, rows=rows, more=max(0, said.look - len(rows))
    )
