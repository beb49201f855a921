"""Ways are probed without sending anything: what broke is named before an alarm needs it, what was mended is called well."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from tests.notify.dispatcher_rig import START, Running, config, message, running
from tests.servers.authority import Authority, Flaw
from tests.servers.mail import MailServer
from tests.servers.receiver import Answer, Phone

from dewkeeper.notify.probing import CALM_SECONDS, TROUBLED_SECONDS
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

HOUR = 3600


@contextmanager
def watched(authority: Authority, kind: str) -> Iterator[tuple[Running, Any]]:
    """Give a dispatcher on a webhook or a mail server whose certificate is chosen by `flaw` of what is given with it."""
    flaw: dict[str, Flaw] = {"is": ""}
    if kind == "mail":
        server: Any = MailServer(authority.context(), ("rack", "pw"))
        channel: dict[str, Any] = {
            "kind": "mail", "host": "localhost", "port": server.port, "username": "rack", "password": "pw",
            "sender": "rack@example.org", "to": ["ina@example.org"],
        }  # fmt: skip
    else:
        server = Phone(authority.context())
        channel = {"kind": "webhook", "url": server.url}
    server.choose_context = lambda: authority.context(flaw["is"])
    channel |= {"name": "phone", "ca_file": str(authority.ca_file), "timeout_seconds": 5.0}
    settings = dict(config({"unused": "http://localhost:9/"}))
    whole = checked(Config, settings | {"channel": [channel], "person": [{"name": "Marit", "channels": ["phone"]}]})
    with server, running(whole) as run:
        yield run, flaw


@pytest.mark.parametrize("kind", ["webhook", "mail"])
def test_a_certificate_that_ran_out_is_named_before_a_message_needs_it(authority: Authority, kind: str) -> None:
    """Within the hour, with nothing sent; and when it is renewed the way is called well without a message."""
    with watched(authority, kind) as (run, flaw):
        run.clock.advance(CALM_SECONDS - 60)
        flaw["is"] = "expired"
        assert run.reports == []
        run.clock.advance(120)
        (report,) = run.reports
        assert (report.what, report.trouble) == ("channel phone", True)
        assert "certificate" in report.text
        flaw["is"] = ""
        run.clock.advance(TROUBLED_SECONDS + 60)
        assert [(r.what, r.trouble) for r in run.reports] == [("channel phone", True), ("channel phone", False)]
        assert run.outbox.rows == {}


def test_a_way_that_failed_and_was_mended_is_called_well_though_nothing_is_sent_that_way(phone: Phone) -> None:
    """Another channel took the message; the first is probed, and well again a quarter of an hour after it is."""
    with Phone() as first:
        port = first.port
        with running(config({"first": first.url, "phone": phone.url})) as run:
            first.refuse()
            run.add(message("m1", channel="first", priority="urgent", facts={"siblings": []}))
            run.clock.advance(1200)
            run.outbox.rows["m1"] = replace(run.outbox.rows["m1"], state="collapsed")
            run.clock.advance(2 * TROUBLED_SECONDS)
            assert ("channel first", True) in [(r.what, r.trouble) for r in run.reports]
            first.listen()
            assert first.port == port
            run.clock.advance(TROUBLED_SECONDS + 60)
            assert [r.trouble for r in run.reports if r.what == "channel first"][-1] is False


def test_a_probe_that_cannot_see_the_trouble_does_not_call_it_mended(phone: Phone) -> None:
    """A service that answers but refuses every message stays in trouble until it takes one."""
    phone.choose = lambda call: Answer(404 if call.body else 204)
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1"))
        run.outbox.rows["m1"] = replace(run.outbox.rows["m1"], state="collapsed")
        run.clock.advance(4 * HOUR)
        assert [(r.what, r.trouble) for r in run.reports] == [("channel phone", True)]


def test_a_probe_never_delays_a_message(authority: Authority) -> None:
    """While a probe hangs in a silent server, an urgent message over the same channel is sent beside it."""
    with watched(authority, "mail") as (run, _):
        run.clock.advance(CALM_SECONDS - 1)
        lane = next(iter(run.dispatcher._lanes.values()))
        lane.probe.start(run.clock.monotonic(), lambda: None)
        run.add(message("m1", priority="urgent"))
        assert run.outbox.states() == {"m1": "sent"}


def test_one_of_two_recipients_refused_is_logged_and_told(caplog: pytest.LogCaptureFixture) -> None:
    """The mail reaches one of two people: that the other is not reached, and why, is trouble of its own, until he is."""
    with MailServer() as server:
        channel = {
            "kind": "mail", "name": "phone", "host": "localhost", "port": server.port, "security": "none",
            "sender": "rack@example.org", "to": ["marit@example.org", "ode@example.org"],
        }  # fmt: skip
        settings = dict(config({"unused": "http://localhost:9/"}))
        whole = checked(Config, settings | {"channel": [channel], "person": [{"name": "Marit", "channels": ["phone"]}]})
        with running(whole) as run:
            server.refuses = {"ode@example.org": "550 5.1.1 no such user"}
            run.add(message("m1"))
            assert len(server.mails) == 1
            told = [(r.what, r.trouble, r.text) for r in run.reports if r.what == "phone for some"]
            assert [trouble for _, trouble, _ in told] == [True]
            assert "ode@example.org (550 5.1.1 no such user)" in told[0][2]
            assert "ode@example.org" in caplog.text
            server.refuses = {}
            run.clock.advance(60)
            run.add(message("m2", created=START + 60))
            assert [r.trouble for r in run.reports if r.what == "phone for some"] == [True, False]
