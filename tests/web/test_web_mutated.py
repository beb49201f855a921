"""Mutated requests: anything at all, and good requests with one thing broken. None is a 5xx, none writes."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from werkzeug.test import EnvironBuilder, run_wsgi_app

from dewkeeper.web.app import RULES
from dewkeeper.web.choices import BY_KEY

# Ten thousand in all in the long run.
EACH = settings(max_examples=amount(80, 5000), deadline=None, suppress_health_check=list(HealthCheck))

_PATHS = st.one_of(
    st.sampled_from([str(rule.rule) for rule in RULES]),
    st.text(max_size=30).map(lambda t: "/" + t),
    st.tuples(
        st.sampled_from(["/enclosure/", "/journal/", "/ack/", "/sitter/", "/alarms/", "/animals/", "/vet/"]), st.text(max_size=40)
    ).map("".join),
)  # fmt: skip
_FIELDS = ["csrf", "choice", "enclosure", "at", "hours", "why", "name", "password", "code", "way", "detail", "back"]
_QUERY = ["span", "said", "care", "enclosure", "choice", "before", "x"]
_HEADERS = [
    "Origin",
    "X-Forwarded-For",
    "X-Forwarded-Proto",
    "Content-Type",
    "Cookie",
    "Host",
    "Content-Length",
    "Range",
]


class Sender:
    """Sends to the page's application without a network between, as fast as hypothesis asks."""

    def __init__(self, rig: Any) -> None:
        self._application = rig.page.application
        keeper = rig.keeper()
        self.csrf = rig.csrf(keeper)
        self.cookie = "; ".join(f"{c.name}={c.value}" for c in keeper.cookies)
        self._count = 0

    def send(
        self, method: str, path: str, fields: dict[str, str] | None = None, query: Any = None, **headers: str
    ) -> int:
        """Return the status of one request. headers: by name, "_" for "-"."""
        environ = EnvironBuilder("/", method=method, query_string=query, data=fields).get_environ()
        environ["PATH_INFO"] = path.encode("utf-8", "replace").decode("latin-1")
        for name, value in headers.items():
            key = name.upper().replace("-", "_")
            key = key if key in ("CONTENT_TYPE", "CONTENT_LENGTH") else "HTTP_" + key
            environ[key] = value.encode("utf-8", "replace").decode("latin-1")
        self._count += 1  # each from an address of its own, so that the rate limits let them in
        environ["REMOTE_ADDR"] = f"10.0.{self._count // 250 % 250}.{self._count % 250}"
        _, status, _ = run_wsgi_app(self._application, environ)
        return int(status[:3])


def test_anything_at_all_is_never_5xx_and_never_writes(rig: Any) -> None:
    """Whatever path, method, query, fields and headers come without a token, with or without a session: no 5xx; a request that could change something is a 4xx; nothing is written."""
    sender, before = Sender(rig), rig.written()

    @EACH
    @given(
        path=_PATHS,
        method=st.sampled_from(["GET", "POST", "HEAD", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "X"]),
        query=st.dictionaries(st.sampled_from(_QUERY), st.text(max_size=20) | st.integers().map(str), max_size=3),
        fields=st.dictionaries(st.sampled_from(_FIELDS), st.text(max_size=30), max_size=6),
        headers=st.dictionaries(st.sampled_from(_HEADERS), st.text(max_size=40), max_size=3),
        logged_in=st.booleans(),
    )
    def hammer(
        path: str, method: str, query: dict[str, str], fields: dict[str, str], headers: dict[str, str], logged_in: bool
    ) -> None:
        if logged_in:
            headers |= {"Cookie": sender.cookie}
        status = sender.send(method, path, fields if method == "POST" else None, query, **headers)
        assert status < 500, (method, path, status)
        if method not in ("GET", "HEAD"):
            assert status >= 400, (method, path, status)

    hammer()
    assert rig.written() == before


def test_a_good_request_with_one_thing_broken_is_4xx_and_never_writes(rig: Any) -> None:
    """A form as the page sends it, with its token, session, origin, choice, place, time, hours or reason spoilt: always a 4xx, nothing written."""
    sender, before = Sender(rig), rig.written()
    alarm = rig.daemon.writer.alarms[0].alarm
    good: dict[str, dict[str, str]] = {
        "/journal": {"choice": "misted", "enclosure": "T1", "at": "2026-09-21T15:30"},
        f"/alarms/{alarm}/acknowledge": {},
        f"/alarms/{alarm}/shelve": {"why": "cleaning", "hours": "4"},
        "/enclosure/T1/service": {"way": "out", "why": "empty", "hours": "168"},
        "/sitter": {"name": "Leo", "hours": "24"},
        "/sitter/end": {},
        "/health/test": {},
        "/logout": {},
    }
    anything = st.text(max_size=40)
    spoilt = {
        "choice": anything.filter(lambda t: clean(t) not in BY_KEY),
        "enclosure": anything.filter(lambda t: clean(t) not in ("", "*", "T1", "T2", "T3")),
        "at": anything.filter(lambda t: clean(t) != "" and not clean(t)[:1].isdigit()),
        "hours": anything.filter(lambda t: not any(c.isdigit() for c in t))
        | st.sampled_from(["0", "-1", "1e9", "nan", "inf"]),
        "way": anything.filter(lambda t: clean(t) not in ("in", "out")),
        "why": st.sampled_from(["", " ", "\t", "\x00"]),
        "name": st.sampled_from(["", "  ", "x" * 41]),
    }

    @EACH
    @given(data=st.data(), path=st.sampled_from(sorted(good)))
    def break_one(data: st.DataObject, path: str) -> None:
        fields = {**good[path], "csrf": sender.csrf}
        headers = {"Cookie": sender.cookie}
        part = data.draw(st.sampled_from(["csrf", "cookie", "origin", "site", "size", "path", *good[path]]))
        if part == "csrf":
            fields["csrf"] = data.draw(anything.filter(lambda t: clean(t) != sender.csrf))
        elif part == "cookie":
            headers["Cookie"] = data.draw(anything.map(lambda t: f"dewkeeper={t}"))
        elif part == "origin":
            headers["Origin"] = data.draw(anything.map(lambda t: f"http://{t}.example"))
        elif part == "site":
            headers["Sec-Fetch-Site"] = data.draw(st.sampled_from(["cross-site", "same-site", "x"]))
        elif part == "size":
            fields[data.draw(anything.filter(bool))] = "x" * 70_000
        elif part == "path":
            path += data.draw(st.text(min_size=1, max_size=10).filter(lambda t: t.strip("/") != ""))
        else:
            fields[part] = data.draw(spoilt[part])
        status = sender.send("POST", path, fields, **headers)
        assert 400 <= status < 500, (path, part, status)

    break_one()
    assert rig.written() == before
    assert sender.send("GET", "/", Cookie=sender.cookie) == 200  # nobody was logged out


def clean(text: str) -> str:
    """Return what the page takes a field for: printable, without space around."""
    return "".join(c for c in text if (c.isprintable() and not "\ud800" <= c <= "\udfff") or c == "\n").strip()
