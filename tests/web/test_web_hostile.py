"""Bytes on the wire that no browser sends, and clients that guess."""

from __future__ import annotations

import socket
from typing import Any

import pytest
import requests
from tests.web.conftest import PASSWORD
from tests.web.test_web_house import changed, page

from dewkeeper.clock import ManualClock
from dewkeeper.web.limiter import Limiter, login_wait_seconds

RAW = [
    b"GET //x?\xff", b"GET //x?%ff", b"GET //x/y//z?a=\xff&b=\xfe", b"GET /x?\xff", b"GET /?said=\xff", b"GET /enclosure/\xff?span=\xff",
    b"GET //%ff?\xff", b"GET /%2f%2fx?\xff", b"GET http://[/x", b"GET http://a:b:c/", b"GET //[::1", b"GET /\x00", b"GET /%00?%00",
    b"GET /;\xff", b"GET *", b"GET /?" + b"\xff" * 8000, b"GET ///////?\xff", b"HEAD //x?\xff", b"GET /login/?\xff", b"GET /rack//?\xe4",
    b"GET /../../etc/passwd", b"GET //x#\xff", b"GET /page.css?\xff", b"GET /ack/\xff?\xff", b"GET /sitter//\xff",
]  # fmt: skip
HEADS = [
    b"Host: x",
    b"Host: \xff",
    b"Host: [",
    b"Host: a b",
    b"Cookie: dewkeeper=\xff;\xfe",
    b"X-Forwarded-Host: \xff",
    b"Origin: \xff",
]


def _status(rig: Any, request: bytes) -> int:
    with socket.create_connection(rig.page.address, timeout=60) as connection:
        connection.sendall(request)
        answer = b""
        while b"\r\n" not in answer and (part := connection.recv(4096)):
            answer += part
    return int(answer.split()[1]) if answer else 0  # the server hung up: an address it cannot even take apart


def test_bytes_no_browser_sends_are_never_a_500(rig: Any) -> None:
    """Doubled slashes, bytes that are no UTF-8, hosts that are none, over a real socket: an answer below 500."""
    wrong = {}
    for line in RAW:
        for head in HEADS:
            status = _status(rig, line + b" HTTP/1.1\r\nHost: x\r\nConnection: close\r\n" + head + b"\r\n\r\n")
            if status >= 500:
                wrong[line, head] = status
    assert not wrong


def _tries(session: requests.Session, base: str, address: str, password: str = "no") -> int:  # noqa: S107  a wrong one
    form, headers = {"name": "Ina", "password": password}, {"X-Forwarded-For": address}
    return session.post(base + "/login", data=form, headers=headers, timeout=60, allow_redirects=False).status_code


def test_one_who_guesses_does_not_keep_the_keeper_out(rig: Any) -> None:
    """Sixty tries from one address: it waits, whatever it goes on asking; the keeper at another comes in at once."""
    rig.keeper()
    with page(rig, changed(rig, web={"trusted_proxies": ["127.0.0.1"]})) as (base, _), requests.Session() as session:
        session.trust_env = False
        statuses = [_tries(session, base, "203.0.113.7") for _ in range(60)]
        assert statuses == [403] * 5 + [429] * 55
        assert _tries(session, base, "198.51.100.1", PASSWORD) == 303


@pytest.mark.parametrize(
    ("crowd", "most"),
    [
        (["203.0.113.7"] * 200, 5),
        ([f"203.0.113.{n % 40}" for n in range(400)], 40 + 30),
        ([f"2001:db8::{n:x}" for n in range(200)], 5),
        ([f"::ffff:203.0.113.{n % 2}" for n in range(200)], 10),
        ([f"2001:db8:0:{n % 40:x}::1" for n in range(400)], 40 + 30),
    ],
    ids=["one", "a crowd", "a household", "IPv4 in IPv6", "a crowd of households"],
)
def test_a_crowd_that_guesses_is_slowed_down_and_keeps_nobody_out(crowd: list[str], most: int) -> None:
    """Five tries an address or network of IPv6, thirty together besides each one's first; a keeper has one in any case, and one a minute."""
    clock = ManualClock()
    each, together = Limiter(5, 60, clock.monotonic), Limiter(30, 10, clock.monotonic)
    waits = [login_wait_seconds(each, together, address) for address in crowd]
    assert waits.count(0) == most
    assert max(waits) <= 60
    for _ in range(3):
        assert login_wait_seconds(each, together, "198.51.100.1") == 0
        for address in crowd:
            login_wait_seconds(each, together, address)
        clock.advance(61)
