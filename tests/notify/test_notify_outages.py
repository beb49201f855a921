"""Outages at their full length, by a clock moved by hand: a mail server that is busy for hours, a link down for a day."""

from __future__ import annotations

import pytest
from tests.notify.dispatcher_rig import REFUSED, START, config, message, running
from tests.servers.authority import Authority
from tests.servers.mail import MailServer, Refusal
from tests.servers.receiver import Answer, Call, Phone

from dewkeeper.clock import ManualClock
from dewkeeper.notify.outbox import Outbox, Reader, Times
from dewkeeper.service.losses import LossCounts
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

HOUR = 3600


def by_mail(server: MailServer, authority: Authority) -> Config:
    """Return one person whose only channel is this mail server, with a login."""
    channel = {
        "kind": "mail", "name": "phone", "host": "localhost", "port": server.port, "username": "rack", "password": "pw",
        "sender": "rack@example.org", "to": ["ina@example.org"], "ca_file": str(authority.ca_file), "timeout_seconds": 5,
    }  # fmt: skip
    settings = dict(config({"unused": "http://localhost:9/"}))
    return checked(Config, settings | {"channel": [channel], "person": [{"name": "Marit", "channels": ["phone"]}]})


def test_a_mail_server_busy_for_two_hours_gets_few_logins_and_then_every_mail(authority: Authority) -> None:
    """An hour of 454 at the login, an hour of 421: at most 25 logins an hour however much waits, then all of it, once."""
    with MailServer(authority.context(), ("rack", "pw")) as server, running(by_mail(server, authority)) as run:
        server.usual = Refusal("login", "454 4.7.0 try later")
        run.add(message("u1", priority="urgent"), message("u2", priority="urgent"), message("u3", priority="urgent"))
        run.clock.advance(HOUR)
        first = server.logins
        server.usual = Refusal("recipient", "421 4.3.0 closing")
        run.clock.advance(HOUR)
        second = server.logins - first
        server.usual = None
        run.clock.advance(HOUR / 6)
        assert 4 <= first <= 25
        assert 4 <= second <= 25
        assert sorted(str(mail["Message-ID"]) for mail in server.mails) == [f"<u{n}@example.org>" for n in (1, 2, 3)]
        assert set(run.outbox.states().values()) == {"sent"}


def test_mails_of_one_alarm_form_one_thread(authority: Authority) -> None:
    """Raised, worse and over of one alarm name one root; another alarm another, beside its group's; each has an id of its own."""
    with MailServer(authority.context(), ("rack", "pw")) as server, running(by_mail(server, authority)) as run:
        for place, happening in enumerate(("raised", "escalated", "cleared")):
            at = START + 60 * place
            facts = {"happening": happening} | ({"until": at} if happening == "cleared" else {})
            run.add(message(f"m{place}", alarm="a", thread="a", created=at, facts=facts))
            run.clock.advance(60)
        run.add(message("other", alarm="b", thread="b", created=START + 180))
        run.clock.advance(60)
        run.add(message("joined", alarm="b", thread="group", created=START + 240))
        run.clock.advance(60)
        threads = [str(mail["References"]) for mail in server.mails]
        assert threads == ["<alarm-a@example.org>"] * 3 + [
            "<alarm-b@example.org>",
            "<alarm-b@example.org> <alarm-group@example.org>",
        ]
        assert [mail["Auto-Submitted"] for mail in server.mails] == ["auto-generated"] * 5
        assert len({str(mail["Message-ID"]) for mail in server.mails}) == 5


@pytest.mark.slow
def test_a_link_down_for_a_day_and_then_a_stalling_proxy_end_in_one_digest() -> None:
    """Twenty-four hours of news, the link refused, then a proxy that says nothing: one digest and what is urgent, in order."""
    with Phone() as phone, running(config({"phone": phone.url}, timeout_seconds=2.0)) as run:
        phone.refuse()
        for hour in range(24):
            at = START + hour * HOUR
            run.add(message(f"m{hour}", created=at, facts={"since": at - HOUR}))
            if hour % 2:
                over = {"happening": "cleared", "since": at - 2 * HOUR, "until": at}
                run.add(message(f"over{hour}", alarm=f"alarm of m{hour - 1}", created=at, facts=over))
            run.clock.advance(HOUR)
        urgent = {"priority": "urgent", "kind": "hot", "facts": {"kind": "hot"}}
        run.add(message("hot", created=START + 24 * HOUR, **urgent))
        phone.usual = Answer(manner="silent")
        phone.listen()
        run.clock.advance(300)
        assert [call.id for call in phone.calls if call.accepted] == []
        phone.usual = Answer()
        run.clock.advance(120)
        took = [call for call in phone.calls if call.accepted]
        assert [call.id for call in took] == ["hot", "over23"]
        digest = took[1].json()
        assert len(digest["gathers"]) == 36
        assert digest["title"].startswith("24 messages since")
        assert "12 still open" in digest["title"]
        assert set(run.outbox.states().values()) == {"sent", "collapsed"}


@pytest.mark.parametrize("minutes", [1, 2, 5, 10, 20, 30, 40])
def test_after_an_outage_the_older_of_two_alarms_is_told_first(phone: Phone, minutes: int) -> None:
    """Whichever waits shorter for its next attempt, urgent alarms arrive in the order they were raised."""
    phone.usual = REFUSED
    with running(config({"phone": phone.url})) as run:
        run.add(message("first", created=START, priority="urgent"))
        run.clock.advance(600)
        run.add(message("second", created=START + 600, priority="urgent"))
        run.clock.advance(60 * minutes)
        phone.usual = Answer()
        run.clock.advance(120)
        assert run.outbox.rows["first"].attempts > 5
    assert [call.id for call in phone.calls] == ["first", "second"]


def test_after_a_restart_the_older_of_two_alarms_is_told_first(phone: Phone) -> None:
    """What failed before the restart and was to wait goes before what was raised later and never tried."""
    tried = message("first", priority="urgent", attempts=6, next_try=START + 80)
    with running(config({"phone": phone.url}), tried, message("second", created=START + 30, priority="urgent")) as run:
        assert [call.id for call in phone.wait(2)] == ["first", "second"]
        assert run.clock.wall() < tried.next_try


def test_a_message_a_service_never_takes_delays_the_next_alarm_by_minutes_only(phone: Phone) -> None:
    """After hours of trying one message in vain another alarm is through within four minutes, one of after hours too."""

    def takes_not_the_first(call: Call) -> Answer:
        return REFUSED if call.id == "cursed" else Answer()

    phone.choose = takes_not_the_first
    with running(config({"phone": phone.url})) as run:
        run.add(message("cursed", priority="urgent"))
        run.clock.advance(3 * HOUR)
        run.add(message("next", created=START + 3 * HOUR, priority="urgent"))
        run.clock.advance(240)
        assert [call.id for call in phone.calls if call.accepted] == ["next"]
        assert run.outbox.states() == {"cursed": "pending", "next": "sent"}


def test_a_refused_message_is_not_tried_more_often_because_others_come(phone: Phone) -> None:
    """What a service refuses for good keeps its quarter hours, however many new alarms meet the same refusal."""
    phone.usual = Answer(401)
    with running(config({"phone": phone.url})) as run:
        run.add(message("first", priority="urgent"))
        for minute in range(1, 11):
            run.clock.advance(60)
            run.add(message(f"m{minute}", created=START + 60 * minute, priority="urgent"))
        assert run.outbox.rows["first"].attempts == 1


def test_rows_a_dead_store_refuses_for_days_stay_within_memory_and_urgent_ones_are_kept() -> None:
    """Of 2500 rows handed over while nothing can be stored or sent, 2000 are kept: every urgent one, then the newest."""

    def no_store() -> Reader:
        raise OSError("no database")

    losses = LossCounts(ManualClock())
    outbox = Outbox(no_store, losses=losses)
    outbox.hand_over([message("fire", priority="urgent", created=START - 9)])
    for first in range(0, 2500, 100):
        outbox.hand_over([message(f"m{n}", created=START + n) for n in range(first, first + 100)])
    kept = [row.id for row in outbox.due(["phone"], Times(START + 5000, START + 5000, 0.0))["phone", "Marit"]]
    assert kept == ["fire", *(f"m{n}" for n in range(501, 2500))]
    assert losses.dropped == {"messages that wait unrecorded": 501}
