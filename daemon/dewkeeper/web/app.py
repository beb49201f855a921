"""From a request to an answer: addresses, who may, limits, headers, and plain pages for what goes wrong."""

from __future__ import annotations

import hashlib
import ipaddress
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from werkzeug.exceptions import HTTPException
from werkzeug.routing import Map, Rule
from werkzeug.wrappers import Response

from dewkeeper.notify.neighbour import HEARTBEAT_PATH
from dewkeeper.store.errors import StoreError
from dewkeeper.web import animal_screens, book, deeds, doors, screens
from dewkeeper.web.errors import Outdated, Refused
from dewkeeper.web.squeeze import squeeze
from dewkeeper.web.visit import COOKIE, PageRequest, Services, Visit

log = logging.getLogger(__name__)

STATIC = Path(__file__).parent / "static"
HEADERS = {
    # No script at all: the page works without, so none may ever run.
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # an address may be a key: a sitter's sheet, a signed link
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
_STATUS_TEXT = {
    400: "That could not be read.",
    404: "There is no such page.",
    405: "That cannot be done here.",
    413: "That was too much at once.",
    414: "That address is too long.",
}

Handler = Callable[..., Response]


@dataclass(frozen=True, slots=True)
class Door:
    """A handler and who may use it. keeper: needs a session, and a POST its token; else the address is the key.

    once: of two equal posts from one page the second changes nothing; so of every keeper's form.
    """

    handler: Handler
    keeper: bool = True
    once: bool = True


def _rule(path: str, method: str, handler: Handler, *, keeper: bool = True, once: bool | None = None) -> Rule:
    return Rule(path, methods=[method], endpoint=Door(handler, keeper, keeper if once is None else once))


RULES = (
    _rule("/", "GET", screens.morning),
    _rule("/rack", "GET", screens.rack),
    _rule("/enclosure/<name>", "GET", screens.enclosure),
    _rule("/enclosure/<name>/service", "POST", deeds.service),
    _rule("/round", "GET", book.round_screen),
    _rule("/round", "POST", book.round_did),
    _rule("/round/later", "POST", book.round_later),
    _rule("/away", "GET", book.away),
    _rule("/eggs", "GET", book.eggs),
    _rule("/sheds", "GET", book.sheds),
    _rule("/sheds/<entry>", "GET", book.grade_form),
    _rule("/sheds/<entry>", "POST", book.grade),
    _rule("/alarms", "GET", screens.alarms),
    _rule("/alarms/<alarm>/acknowledge", "POST", deeds.acknowledge),
    _rule("/alarms/<alarm>/shelve", "POST", deeds.shelve),
    _rule("/alarms/<alarm>/unshelve", "POST", deeds.unshelve),
    _rule("/journal", "GET", screens.journal),
    _rule("/journal", "POST", deeds.write),
    _rule("/journal/undo", "POST", deeds.undo),
    _rule("/several", "GET", screens.several),
    _rule("/several", "POST", deeds.several),
    _rule("/leave", "GET", screens.leave),
    _rule("/leave", "POST", deeds.leave),
    _rule("/journal/<entry>", "GET", screens.journal_entry),
    _rule("/journal/<entry>", "POST", deeds.correct),
    _rule("/animals", "GET", animal_screens.animals_screen),
    _rule("/animals/<name>", "GET", animal_screens.animal_screen),
    _rule("/animals/<name>/about", "POST", animal_screens.describe),
    _rule("/animals/<name>/vet", "GET", book.vet_page),
    _rule("/health/test", "POST", deeds.test_paths),
    _rule("/probes", "GET", screens.probes),
    _rule("/health", "GET", screens.health),
    _rule("/vet/<choice>", "GET", screens.vet),
    _rule("/cautions", "GET", screens.cautions),
    _rule("/logins", "GET", doors.logins),
    _rule("/logins", "POST", doors.set_password),
    _rule("/logins/remove", "POST", doors.remove_login),
    _rule("/export", "GET", screens.export),
    _rule("/export/journal.csv", "GET", screens.export_journal),
    _rule("/export/animals.csv", "GET", screens.export_animals),
    _rule("/export/readings.csv", "GET", screens.export_readings),
    _rule("/sitter", "POST", doors.new_sitter),
    _rule("/sitter/end", "POST", doors.end_sitters),
    _rule("/logout", "POST", doors.logout),
    _rule("/login", "GET", doors.login_form, keeper=False),
    _rule("/login", "POST", doors.login, keeper=False),
    _rule("/first", "GET", doors.first_form, keeper=False),
    _rule("/first", "POST", doors.first, keeper=False),
    _rule("/ack/<token>", "GET", doors.ack_form, keeper=False),
    _rule("/ack/<token>", "POST", doors.ack, keeper=False),
    _rule(HEARTBEAT_PATH, "POST", doors.heartbeat, keeper=False),
    _rule("/sitter/<token>", "GET", doors.sitter_sheet, keeper=False),
    _rule("/sitter/<token>", "POST", doors.sitter_did, keeper=False, once=True),
)


_ITS_OWN = (
    "/alarms/", "/health", "/cautions", "/login", "/logins", "/logout", "/first", "/ack/", "/leave", HEARTBEAT_PATH,
)  # fmt: skip
"""How the addresses begin that the page over all sites has besides, about the machine that looks after them."""


def _over_all() -> list[Rule]:
    """Return the addresses of the page over all sites, which shows them and changes nothing of them."""
    from dewkeeper.web import over_all  # nobody else needs it

    of_site: dict[str, Handler] = {
        "/": screens.morning, "/rack": screens.rack, "/enclosure/<name>": screens.enclosure, "/alarms": screens.alarms,
        "/journal": screens.journal, "/probes": screens.probes, "/round": book.round_screen, "/sheds": book.sheds,
        "/eggs": book.eggs, "/away": book.away, "/animals": animal_screens.animals_screen, "/animals/<name>": animal_screens.animal_screen,
        "/animals/<name>/vet": book.vet_page, "/health": over_all.site_health,
    }  # fmt: skip
    return [
        _rule("/", "GET", over_all.FirstScreen().show),
        _rule("/alarms", "GET", over_all.alarms),
        _rule("/journal", "GET", over_all.journal),
        _rule("/own", "GET", screens.alarms),
        *(_rule(f"/site/<int:number>{path}", "GET", over_all.of_site(screen)) for path, screen in of_site.items()),
        *(rule.empty() for rule in RULES if rule.rule.startswith(_ITS_OWN)),
    ]


class Application:
    """The page as a WSGI application."""

    def __init__(self, services: Services) -> None:
        self._services = services
        rules = _over_all() if services.sites is not None else [rule.empty() for rule in RULES]
        self._map = Map(rules, strict_slashes=False, redirect_defaults=False)
        self._proxies = [ipaddress.ip_network(p, strict=False) for p in services.config.web.trusted_proxies]
        self._files = {
            "/page.css": (_read("page.css"), "text/css; charset=utf-8"),
            "/icon.svg": (_read("icon.svg"), "image/svg+xml"),
        }
        # The address changes with the content, so a browser may keep it for good.
        mark = hashlib.sha256(self._files["/page.css"][0]).hexdigest()[:10]
        services.templates.globals["stylesheet"] = f"/page.css?{mark}"

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer one request; nothing raised inside reaches the server."""
        request = PageRequest(environ)
        visit = self._visit(request)
        try:
            response = self._answer(visit)
        except Refused as error:
            again = isinstance(error, Outdated) or (error.status == 400 and request.method == "POST")
            if again and visit.session is not None:
                response = doors.once_more(visit, error.status, error.text)
            else:
                response = self._plain(visit, error.status, error.text)
            if error.retry_after_seconds is not None:
                response.headers["Retry-After"] = str(error.retry_after_seconds)
        except HTTPException as error:
            status = error.code or 400
            if status < 400:  # the router's own redirects: to the canonical form of an address
                response = Response("", status=404)
            else:
                response = self._plain(visit, status, _STATUS_TEXT.get(status, "That did not work."))
                if status == 405 and getattr(error, "valid_methods", None):
                    response.headers["Allow"] = ", ".join(error.valid_methods)  # type: ignore[attr-defined]
        except StoreError as error:
            response = self._plain(visit, 503, f"The history cannot be read just now: {error}")
        except Exception:
            log.exception("page: %s %s failed", request.method, request.path)
            response = self._plain(visit, 500, "Something in the page is broken; the daemon goes on. It is in the log.")
        # A screen is of now and of this keeper: it is kept nowhere but where a handler says so.
        response.headers.setdefault("Cache-Control", "no-store")
        for name, value in HEADERS.items():
            response.headers[name] = value
        return response(environ, start_response)

    def _answer(self, visit: Visit) -> Response:
        request, services = visit.request, visit.services
        if request.path in self._files and request.method in ("GET", "HEAD"):
            content, kind = self._files[request.path]
            kept = {"Cache-Control": "public, max-age=31536000, immutable"}
            return squeeze(request, Response(content, content_type=kind, headers=kept))
        door, values = self._map.bind("page").match(request.path, method=request.method)
        visit.session = services.memory.session(request.cookies.get(COOKIE, ""), visit.now)
        if request.method == "POST":
            # First of all: what another site has a browser send counts against nobody's allowance.
            visit.check_origin()
            wait = services.write_limit.wait_seconds(visit.address)
            if wait:
                raise Refused(429, f"Too much at once. Wait {wait} seconds.", wait)
        if door.keeper:
            if visit.session is None:
                return doors.ask_who(visit)
            if request.method == "POST":
                visit.check_csrf()
        if request.method == "POST" and door.once:
            return self._once(visit, lambda: door.handler(visit, **values))
        response: Response = door.handler(visit, **values)
        return response

    def _once(self, visit: Visit, deed: Callable[[], Response]) -> Response:
        """Do what a form asks, unless the very same form was sent before: then only show where that led."""
        mark, done = visit.mark(), self._services.done_once
        led = done.before(mark)
        if led is not None:
            if led:
                return Response("", status=303, headers={"Location": led})
            # The first of the two is still under way: where it leads is not known yet.
            return visit.go("/journal" if visit.session else visit.request.path, "twice")
        try:
            response = deed()
        except BaseException:
            done.led_to(mark, None)
            raise
        done.led_to(mark, response.headers.get("Location"))
        return response

    def _visit(self, request: PageRequest) -> Visit:
        address, secure, host = request.remote_addr or "", request.scheme == "https", request.host
        if self._proxied(address):
            # The last address the trusted proxies did not add themselves is the client's.
            hops = [hop.strip() for hop in request.headers.get("X-Forwarded-For", "").split(",") if hop.strip()]
            while hops and self._proxied(hops[-1]):
                hops.pop()
            address = hops[-1] if hops and _is_address(hops[-1]) else address
            secure = request.headers.get("X-Forwarded-Proto", request.scheme) == "https"
            host = request.headers.get("X-Forwarded-Host", host)
        return Visit(request, self._services, int(self._services.wall()), address, secure, host)

    def _proxied(self, address: str) -> bool:
        return _is_address(address) and any(ipaddress.ip_address(address) in network for network in self._proxies)

    def _plain(self, visit: Visit, status: int, text: str) -> Response:
        return visit.render("refused.html", status=status, text=text)


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _read(name: str) -> bytes:
    return (STATIC / name).read_bytes()
