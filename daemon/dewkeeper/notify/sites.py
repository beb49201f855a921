"""The thread that looks after all sites of a server: which sends nothing any more, whose clock, disk or probes are in trouble.

A site is silent by what elapses here since it last sent, not by anybody's wall clock. While the server cannot be asked
nothing is known of the sites, and nothing is told of them but that.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from dewkeeper.clock import Clock
from dewkeeper.collect.errors import LACKING, NO_PSYCOPG, CollectError, ServerUnreachable
from dewkeeper.judge.types import SystemReport
from dewkeeper.judge.words import FAULTS
from dewkeeper.report.wording import duration
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

UNSEEN_SECONDS: Final = 3600.0
"""So long may trouble of a site stand before it is told here too: it tells its own people first. Common practice, no source."""
PATIENCE_SECONDS: Final = 600.0
"""So long may the server not answer, or a site have to send anew after the server was away."""
_LOOK_SECONDS = 60.0
AHEAD_SECONDS: Final = 120
"""A site's readings further in the future than this are its clock's. Common practice, no source."""
_ALL = "all sites"
_NOW = "extract(epoch FROM clock_timestamp())::double precision"
_SITES = (
    f"SELECT name, extract(epoch FROM sent_at)::double precision, {_NOW}, extract(epoch FROM readings_until)::bigint "  # noqa: S608  our own
    "FROM site WHERE sent_at IS NOT NULL AND installation IS NOT NULL ORDER BY name"
)
_TROUBLES = (
    "SELECT s.name, a.data ->> 'kind' = 'system', coalesce(a.data ->> 'probe', ''), a.data ->> 'cause' FROM alarm a "
    "JOIN site s ON s.number = a.site WHERE a.what = 'unacknowledged' AND a.gone IS NULL "
    "AND a.data ->> 'priority' <> 'low' AND (a.data ->> 'kind' = ANY(%s)) ORDER BY s.name, a.time"
)
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class _Words:
    """patience: seconds for which it may stand untold here. before: what stands before what is the matter."""

    patience: float
    response: str
    action: str
    consequence: str
    before: str = ""


_SEES_LESS = "it may see or say less than it should"
_UNSEEN = (
    UNSEEN_SECONDS,
    "call who is there, or acknowledge it on the page there",
    "call them",
    _SEES_LESS,
    "nobody there has seen it: ",
)
_TOPICS: Final[Mapping[str, _Words]] = {
    "clock": _Words(
        PATIENCE_SECONDS,
        "compare its clock with a watch: `timedatectl`, then look what it reads",
        "look there",
        _SEES_LESS,
    ),
    "monitor": _Words(*_UNSEEN),
    "probes": _Words(*_UNSEEN),
}


@dataclass(slots=True)
class _Site:
    """What is known of a site. sent: as the server last said. heard: monotonic second of its last change. troubles: topic -> what."""

    sent: float
    heard: float
    silent: bool = False
    troubles: dict[str, list[str]] = field(default_factory=dict)
    since: dict[str, float] = field(default_factory=dict)


class SitesWatch:
    """config: with `[collector]`. done: called after every look, with the trouble it met or "" (for tests and the curious)."""

    def __init__(self, config: Config, clock: Clock, done: Callable[[str], None] = lambda _: None) -> None:
        if config.collector is None:
            raise ValueError("there is no [collector] in the configuration")
        self._set = config.collector
        self._clock, self._done = clock, done
        self._silent_seconds = config.collector.silent_minutes * 60
        self._lock = threading.Lock()
        self._sites: dict[str, _Site] = {}
        self._gone: list[str] = []
        self._trouble, self._refused = "", False
        self._well: float | None = None  # when the server last answered
        self._began = clock.monotonic()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sites", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, seconds: float) -> None:
        """End, within so many seconds."""
        self._stopping.set()
        self._thread.join(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return what is known of the server and of every site; nothing of what is not known just now."""
        monotonic = self._clock.monotonic()
        with self._lock:
            if self._trouble:
                lasted = monotonic - (self._began if self._well is None else self._well)
                if not self._refused and lasted < PATIENCE_SECONDS:
                    return []
                text = f"the server cannot be asked: {self._trouble}"
                report = SystemReport(
                    now, "server of all sites", True, text, "urgent" if self._set.wake else "medium", response="start the server, or mend what is named",
                    action="see the server", consequence="nobody here notices when a site falls silent", lasted=int(lasted),
                )  # fmt: skip
                return [report]
            if self._well is None:
                return []
            return [SystemReport(now, "server of all sites", False), *self._of_all(now, monotonic)]

    def _of_all(self, now: int, monotonic: float) -> list[SystemReport]:
        silent = {name: site for name, site in self._sites.items() if monotonic - site.heard >= self._silent_seconds}
        found = [
            SystemReport(now, f"{topic} of {name}", False, site=name)
            for name in self._gone
            for topic in ("silence", *_TOPICS)
        ]
        together = len(silent) == len(self._sites) > 1
        text = f"nothing comes from any of the {len(self._sites)} sites: most likely the network of this server"
        lasted = min((monotonic - site.heard for site in silent.values()), default=0)
        found.append(self._silence(now, _ALL, together, text, int(lasted)))
        for name, site in self._sites.items():
            if name in silent and together and not site.silent:
                continue  # told together
            site.silent = name in silent
            text = f"{name} has sent nothing for {duration(monotonic - site.heard)}: its power, its network or the Pi itself"
            found.append(self._silence(now, name, site.silent, text, int(monotonic - site.heard)))
            if not site.silent:
                found += self._troubles(now, name, site, monotonic)
        return found

    def _silence(self, now: int, name: str, trouble: bool, text: str, lasted: int) -> SystemReport:
        return SystemReport(
            now, f"silence of {name}", trouble, text, "urgent" if self._set.wake else "medium",
            response="see whether power, network and Pi are there, and look at the animals", action="look there",
            consequence="it may watch and tell on by itself, or nobody is told of heat, cold or dryness there", site=name, lasted=lasted,
        )  # fmt: skip

    def _troubles(self, now: int, name: str, site: _Site, monotonic: float) -> list[SystemReport]:
        found = []
        for topic, words in _TOPICS.items():
            lasted = monotonic - site.since.get(topic, monotonic)
            said = site.troubles.get(topic, [])
            text = "; ".join(said[:_MOST_NAMED]) + (
                f"; and {len(said) - _MOST_NAMED} more" if len(said) > _MOST_NAMED else ""
            )
            report = SystemReport(
                now, f"{topic} of {name}", bool(said) and lasted >= words.patience, words.before + text, response=words.response,
                action=words.action, consequence=words.consequence, site=name, lasted=int(lasted),
            )  # fmt: skip
            found.append(report)
        return found

    def _run(self) -> None:
        while not self._stopping.is_set():
            trouble, refused = self._try()
            if trouble != self._trouble:
                (log.warning if trouble else log.info)("looking after all sites: %s", trouble or "the server answers")
            with self._lock:
                self._trouble, self._refused = trouble, refused
                if not trouble:
                    self._well = self._clock.monotonic()
            self._done(trouble)
            self._clock.wait(self._stopping, self._set.minutes * 60)

    def _try(self) -> tuple[str, bool]:
        """Look once; return what kept it from its end, and whether somebody must do something about it."""
        try:
            self._look()
        except ServerUnreachable as error:
            return str(error), False
        except (CollectError, SecretUnavailable, OSError) as error:
            return str(error), True
        except ImportError as error:
            return NO_PSYCOPG if error.name in LACKING else str(error), True
        except Exception as error:  # this thread never ends
            log.exception("a look at all sites failed")
            return f"{type(error).__name__}: see the log", True
        return "", False

    def _look(self) -> None:
        from dewkeeper.collect.connection import ServerLink, parameters

        given = parameters(self._set.address.read(), self._set.ca_file)
        with ServerLink(given, _LOOK_SECONDS) as link, link.batch() as cursor:
            rows = cursor.execute(_SITES).fetchall()
            stands = cursor.execute(_TROUBLES, (["system", *sorted(FAULTS)],)).fetchall()
        monotonic = self._clock.monotonic()
        with self._lock:
            away = self._trouble != "" or self._well is None
            # Of one that has left it is reported ever after that it is in no trouble, so that what stands of it ends.
            self._gone = sorted({*self._gone, *self._sites.keys()} - {row[0] for row in rows})
            sites: dict[str, _Site] = {}
            for name, sent, now, until in rows:
                site = self._sites.get(name)
                if site is None:
                    # Both times are the server's, so their difference is right even where its clock is not.
                    site = _Site(sent, monotonic - max(0.0, now - sent))
                elif site.sent != sent:
                    site.sent, site.heard = sent, monotonic
                if away and not site.silent:  # nobody could send while the server was away
                    site.heard = max(site.heard, monotonic - self._silent_seconds + PATIENCE_SECONDS)
                dated = self._dated(until, now)
                site.troubles = {"clock": [dated]} if dated else {}
                sites[name] = site
            for name, own, probe, cause in stands:
                if name in sites:
                    said = cause if own else f"{probe}: {cause}" if probe else cause
                    sites[name].troubles.setdefault("monitor" if own else "probes", []).append(said)
            for site in sites.values():
                site.since = {topic: site.since.get(topic, monotonic) for topic in site.troubles}
            self._sites = sites

    def _dated(self, until: int | None, now: float) -> str:
        """Return what is odd about the time of a site's newest reading; nothing where it is as it should be."""
        if until is not None and until - now > AHEAD_SECONDS:
            return f"its newest reading is dated {duration(until - now)} into the future"
        if until is not None and now - until > self._silent_seconds:
            return f"it sends, and its newest reading is dated {duration(now - until)} ago: its clock is behind, or it reads nothing"
        return ""
