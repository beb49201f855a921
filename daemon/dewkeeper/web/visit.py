"""One request with what the page knows of it: who asks, from where, and when."""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote, urlsplit

from jinja2 import Environment
from werkzeug.wrappers import Request, Response

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import JournalEntry
from dewkeeper.notify.neighbour import Answer
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper.web.auth_store import AuthStore, Session
from dewkeeper.web.choices import CAUTIONS
from dewkeeper.web.effects import after_words
from dewkeeper.web.errors import Outdated, Refused
from dewkeeper.web.limiter import Limiter
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.collect.there import AllThere, SiteThere

COOKIE = "dewkeeper"
_TEXT_LIMIT = 1000
_MOST_DONE = 500
_MOST_WRITTEN = 60
_ASCII = "".join(map(chr, range(0x21, 0x7F)))


class PageRequest(Request):
    """A request whose body may be as large as any form of the page, and no larger."""

    max_content_length = 64 * 1024
    max_form_memory_size = 64 * 1024
    max_form_parts = 40

    def __init__(self, environ: dict[str, Any]) -> None:
        # Bytes beyond ASCII belong percent-encoded (RFC 3986, section 2.1); who sends them bare has them so.
        query = environ.get("QUERY_STRING", "").encode("latin-1")
        super().__init__({**environ, "QUERY_STRING": quote(query, safe=_ASCII)})


@dataclass(frozen=True, slots=True)
class HealthLine:
    """One line of the system's own health. well: None when there is nothing to tell yet."""

    what: str
    well: bool | None
    text: str


@dataclass(slots=True)
class Services:
    """What the page is given: it owns none of it but its memory. sites: where it is the page over all of them."""

    config: Config
    past: Callable[[], StoredPast]
    submit: Callable[[dict[str, Any]], Mapping[str, Any]]
    health: Callable[[], Sequence[HealthLine]]
    wall: Callable[[], float]
    memory: AuthStore
    done_once: DoneOnce
    templates: Environment
    login_limit: Limiter
    login_limit_all: Limiter
    write_limit: Limiter
    link_key: Callable[[], str | None]
    hear: Callable[[Mapping[str, str], bytes], Answer] | None = None
    sites: AllThere | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """What was just written down, and what it changed in words."""

    entries: Sequence[JournalEntry]
    effects: Sequence[str]


class DoneOnce:
    """What forms were sent lately: of two equal ones from one page the second changes nothing, a double tap or a reload."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._done: OrderedDict[str, str] = OrderedDict()

    def before(self, mark: str) -> str | None:
        """Return where the same form led when it was sent before, "" while that is not known yet; None if it is new."""
        with self._lock:
            if mark in self._done:
                return self._done[mark]
            self._done[mark] = ""
            while len(self._done) > _MOST_DONE:
                self._done.popitem(last=False)
            return None

    def led_to(self, mark: str, path: str | None) -> None:
        """Keep where a form led; None: it was refused, and may be sent again."""
        with self._lock:
            if path is None:
                self._done.pop(mark, None)
            else:
                self._done[mark] = path


@dataclass(slots=True)
class Visit:
    """A request, its time (UTC seconds), and who is behind it as far as is known.

    root: what stands before every address of this page. site: whose page it is, where it is one of many: to look at only, and
    `now` is when it sent last. fell_silent: whether it should have sent since.
    """

    request: PageRequest
    services: Services
    now: int
    address: str
    secure: bool
    host: str
    session: Session | None = None
    root: str = ""
    site: SiteThere | None = None
    fell_silent: bool = False
    wording: Wording = field(init=False)

    def __post_init__(self) -> None:
        self.wording = Wording.of(self.services.config.site, space="\u00a0")
        if self.fell_silent:  # nothing is known of now
            self.wording = replace(self.wording, present="then")

    @property
    def asked(self) -> int:
        """When the page was asked for (UTC seconds), whenever what it shows was."""
        return self.now if self.site is None else self.now + int(self.site.ago_seconds or 0)

    @property
    def past(self) -> StoredPast:
        """The history to read. Raises StoreError."""
        return self.services.past()

    def render(self, template: str, status: int = 200, **values: Any) -> Response:
        """Return a page from a template."""
        this_page = secrets.token_urlsafe(6)  # its own mark: by it two equal forms are known as one
        text = self.services.templates.get_template(template).render(
            visit=self,
            site=self.services.config.site.name,
            root=self.root,
            acts=self.site is None,
            over_all=self.services.sites is not None,
            nav=self._nav(),
            **self._as_of(),
            now=self.now,
            w=self.wording,
            csrf=f"{self.session.csrf}.{this_page}" if self.session else "",
            this_page=this_page,
            said=SAID.get(self.request.args.get("said", ""), ""),
            written=self._written(),
            caution=CAUTIONS.get(self.request.args.get("care", ""), ""),
            **values,
        )
        return Response(text, status=status, content_type="text/html; charset=utf-8")

    def of(self, site: SiteThere) -> Visit:
        """Return this visit as one to a site's own screens, told as of when it sent last.

        Raises Refused where the site does not say how its rooms stand.
        """
        config, history = site.config, site.history
        if config is None:
            raise Refused(404, f"{site.name} cannot be shown: {site.untold}.")
        services = replace(self.services, config=config, past=lambda: StoredPast(history, config))
        now = self.now - int(site.ago_seconds or 0)
        return replace(self, services=services, now=now, root=site_root(site), site=site, fell_silent=self.silent(site))

    def silent(self, site: SiteThere) -> bool:
        """Return whether a site has sent nothing for longer than it should."""
        return site.ago_seconds is None or self.too_long(site.ago_seconds)

    def too_long(self, seconds: float) -> bool:
        """Return whether a site may not be silent for so long."""
        collector = self.services.config.collector
        return seconds >= (collector.silent_minutes if collector is not None else 60) * 60

    def find_site(self, number: int) -> SiteThere:
        """Return a site of the server. Raises Refused, StoreError."""
        sites = self.services.sites.sites() if self.services.sites is not None else ()
        found = next((site for site in sites if site.number == number), None)
        if found is None:
            raise Refused(404, "There is no such site.")
        return found

    def own_page(self) -> str | None:
        """Return where this very screen is on the page of the site itself, None where the site does not say."""
        base = self.services.config.web.base_url or ""
        if not base.startswith(("http://", "https://")):  # it comes from elsewhere, and would be a link
            return None
        path = self.request.path.removeprefix(self.root) or "/"
        return base.rstrip("/") + quote(path)

    def _as_of(self) -> dict[str, Any]:
        """Return of when a site is told: whether it is silent, when it sent last, and how many seconds ago."""
        if self.site is None or self.site.ago_seconds is None:
            return {"silent": False}
        return {"silent": self.fell_silent, "sent": self.now, "behind": int(self.site.ago_seconds)}

    def _nav(self) -> list[tuple[str, str, bool]]:
        """Return address and word of every screen, and whether it is this one."""
        if self.site is not None:
            ways = [("/", "All sites"), *((self.root + path, word) for path, word in _WAYS)]
        else:
            ways = list(_WAYS if self.services.sites is None else _ALL_WAYS)
        here = self.request.path.rstrip("/") or "/"
        return [(path, word, unquote(path).rstrip("/") == here.rstrip("/")) for path, word in ways]

    def go(self, path: str, said: str = "") -> Response:
        """Return a redirect within the page, to be fetched by GET."""
        mark = "&" if "?" in path else "?"
        target = path + (f"{mark}said={said}" if said else "")
        return Response("", status=303, headers={"Location": target})

    def _written(self) -> Written | None:
        """Return what was just written down, as the address says, with what it changed."""
        wanted = self.request.args.getlist("wrote")[:_MOST_WRITTEN]
        if self.session is None or not wanted:
            return None
        # A day later it is not just written any more, whoever kept the address.
        entries = [e for e in self.past.journal(0) if e.id in wanted and (e.entered or e.time) > self.now - 86400]
        if not entries:
            return None
        return Written(
            entries, after_words(self.services.config, entries, self.past.in_force(), self.now, self.wording)
        )

    def check_origin(self) -> None:
        """Raise Refused when a browser says that this request comes from another site."""
        came_from = self.request.headers.get("Sec-Fetch-Site")
        if came_from not in (None, "same-origin", "none"):  # an older browser does not say
            raise Refused(403, "This came from another site, so it was not done. Open the page itself and try again.")
        origin = self.request.headers.get("Origin")
        if origin is not None and _host_of(origin) != self.host:
            raise Refused(403, "This came from another site, so it was not done. Open the page itself and try again.")

    def check_csrf(self) -> None:
        """Raise Refused unless the form carries this session's own token."""
        # What follows the dot only tells two pages apart whose forms are alike.
        given = self.text("csrf", required=False).partition(".")[0]
        if self.session is None or not secrets.compare_digest(given.encode(), self.session.csrf.encode()):
            raise Outdated(403, "This form is too old. Go back, load the page again and repeat it.")

    def mark(self) -> str:
        """Return what this very form is known by: page, address and everything it carries."""
        fields = json.dumps([self.request.path, list(self.request.form.items(multi=True))])
        return hashlib.sha256(fields.encode("utf-8", "surrogatepass")).hexdigest()

    def text(self, name: str, *, required: bool = True, limit: int = _TEXT_LIMIT) -> str:
        """Return a form field without surrounding space or control characters. Raises Refused."""
        given = self.request.form.get(name, "")
        kept = "".join(c for c in given if c.isprintable() or c == "\n").strip()
        if required and not kept:
            raise Refused(400, f"Fill in “{name}”, please.")
        if len(kept) > limit:
            raise Refused(400, f"“{name}” is longer than {limit} characters.")
        return kept

    def moment(self, name: str) -> int | None:
        """Return a local date and time of the form as UTC seconds, None when it is left empty. Raises Refused."""
        given = self.text(name, required=False)
        if not given:
            return None
        try:
            return int(datetime.fromisoformat(given).replace(tzinfo=self.wording.zone).timestamp())
        except (ValueError, OverflowError, OSError) as error:
            raise Refused(400, "Write the time like 2026-03-01T07:30, please.") from error

    def hours(self, name: str, most: float) -> int:
        """Return the UTC second so many hours ahead as the form says. Raises Refused."""
        try:
            hours = float(self.text(name))
        except ValueError:
            hours = 0.0
        # "nan" is a number to Python: it compares with nothing, and is refused here.
        if not 0 < hours <= most:
            raise Refused(400, f"Give a number of hours up to {most:g}, please.")
        return self.now + int(timedelta(hours=hours).total_seconds())

    @staticmethod
    def taken(reply: Mapping[str, Any], said: str) -> str:
        """Return the key of what is said of a deed, or that it is not recorded yet."""
        return "waiting" if reply.get("not_recorded") else said

    def submit(self, request: dict[str, Any], who: str, what: str) -> Mapping[str, Any]:
        """Hand a request to the command handler, note it and return the reply. Raises Refused."""
        try:
            reply = self.services.submit({**request, "who": who})
        except CommandRefused as error:
            raise Refused(400, f"Not done: {error}.") from error
        # Only what was done is noted; what is refused has left by the exception.
        self.services.memory.audit(self.now, who, what, self.address)
        return reply


def site_root(site: SiteThere) -> str:
    """Return where a site's screens begin on the page over all."""
    return f"/site/{site.number}"


_WAYS = (("/", "Morning"), ("/round", "Round"), ("/rack", "Rack"), ("/alarms", "Alarms"), ("/journal", "Journal"), ("/probes", "Probes"), ("/health", "Health"))  # fmt: skip
_ALL_WAYS = (
    ("/", "All sites"),
    ("/alarms", "Alarms"),
    ("/journal", "Journal"),
    ("/own", "Own alarms"),
    ("/health", "Health"),
)


def _host_of(address: str) -> str | None:
    try:
        return urlsplit(address).netloc
    except ValueError:  # an opened bracket that never closes
        return None


SAID = {
    "seen": "Noted: you have seen it.",
    "shelved": "Shelved. It comes back by itself.",
    "unshelved": "Back from the shelf.",
    "service": "Noted.",
    "journal": "Written down.",
    "corrected": "Corrected. The old entry is kept.",
    "later": "Put off. It comes back on its day.",
    "gone": "It is not on the list any more: somebody has done it.",
    "undone": "Taken back. The journal keeps it, struck through.",
    "quiet": "Quiet while you work. Heat is told all the same, and it ends by itself.",
    "told": "Everything is told again.",
    "away": "Away mode is on. What stands was handed over.",
    "back": "Welcome back. What stands was handed over to you.",
    "password": "The password is changed. Every other browser is logged out.",
    "person": "There is a new login.",
    "login_gone": "That login is gone, and its browsers are logged out.",
    "twice": "That was done already; once is enough.",
    "waiting": "Taken in, but not recorded yet: the database refuses just now.",
    "tested": "On its way. Tap the link in each message that arrives; this page then says so.",
    "out": "Logged out.",
    "ended": "The sitter’s links no longer open.",
}
"""What a page says after something was done; the address carries only the key."""
