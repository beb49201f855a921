"""From the outbox to the servers: order, retries, circuits, other channels, and nothing held up by what is dead."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from tests.notify.dispatcher_rig import REFUSED, REPLY_LOST, START, Outbox, Running, config, message, running
from tests.servers.receiver import Answer, Call, Phone

from dewkeeper.clock import ManualClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config


def test_what_is_due_is_sent_once(phone: Phone) -> None:
    """A row is sent, settled as sent, and not sent again."""
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1"))
        run.clock.advance(600)
        assert [call.id for call in phone.calls] == ["m1"]
        assert run.outbox.states() == {"m1": "sent"}


def test_a_failed_send_is_tried_again_under_the_same_id(phone: Phone) -> None:
    """After refusals the row goes out later, with one id, and the attempts are counted in the store."""
    phone.next += [REFUSED, Answer(503), REFUSED]
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1"))
        run.clock.advance(300)
        assert [call.id for call in phone.calls if call.accepted] == ["m1"]
        assert run.outbox.rows["m1"].attempts == 4


def test_a_lost_reply_doubles_the_message_under_its_id(phone: Phone) -> None:
    """Where the reply is lost after acceptance the message comes again, under the same id, and only there."""
    phone.next.append(REPLY_LOST)
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1", priority="urgent"), message("m2", priority="urgent"))
        run.clock.advance(300)
        assert sorted(call.id for call in phone.calls) == ["m1", "m1", "m2"]


def test_a_channel_back_after_hours_delivers_within_two_minutes(phone: Phone) -> None:
    """However long the way was closed, a message is through two minutes after it opens."""
    phone.usual = REFUSED
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1"))
        run.clock.advance(6 * 3600)
        phone.usual = Answer()
        run.clock.advance(120)
        assert [call.id for call in phone.calls] == ["m1"]


def test_news_of_one_alarm_is_never_overtaken(phone: Phone) -> None:
    """What follows on an alarm waits for what came before, and then stands for both; another alarm does not wait."""
    phone.next += [REFUSED, Answer(503), Answer(503)]
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1", alarm="a", priority="urgent"))
        run.add(message("m2", alarm="a", priority="urgent", created=START + 2, facts={"happening": "escalated"}))
        assert phone.calls == []
        run.add(message("m3", alarm="b", priority="urgent", created=START + 3))
        assert [call.id for call in phone.calls] == ["m3"]
        run.clock.advance(300)
        assert [call.id for call in phone.calls if call.accepted] == ["m2", "m3"]
        assert run.outbox.states() == {"m1": "collapsed", "m2": "sent", "m3": "sent"}


def test_an_alarm_already_over_is_told_once_in_the_past_tense(phone: Phone) -> None:
    """After an outage raised, reminded and cleared of one alarm are one message with its own times."""
    phone.usual = REFUSED
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1", alarm="a"))
        run.clock.advance(3600)
        run.add(message("m2", alarm="a", created=START + 3600, facts={"happening": "reminded"}))
        run.clock.advance(3600)
        until = {"happening": "cleared", "until": START + 7000}
        run.add(message("m3", alarm="a", created=START + 7200, facts=until))
        run.clock.advance(4 * 3600)
        phone.usual = Answer()
        run.clock.advance(120)
        (call,) = phone.calls
        assert call.id == "m3"
        assert call.json()["title"] == "B4: was too dry 13:13–16:10 – nothing to do"
        assert run.outbox.states() == {"m1": "collapsed", "m2": "collapsed", "m3": "sent"}


def test_after_an_outage_one_digest_stands_for_many(phone: Phone) -> None:
    """What piled up arrives as one digest that names every row; what is urgent and open comes by itself beside it."""
    phone.usual = REFUSED
    with running(config({"phone": phone.url})) as run:
        rows = [message(f"m{n}", created=START + n) for n in range(12)]
        run.add(*rows, message("fire", priority="urgent", kind="hot", facts={"kind": "hot"}))
        run.clock.advance(12 * 3600)
        phone.usual = Answer()
        run.clock.advance(300)
        assert len(phone.calls) == 2
        calls = {call.id: call for call in phone.calls}
        digest = calls["m11"]
        assert calls["fire"].json()["priority"] == "urgent"
        assert {row["id"] for row in digest.json()["gathers"]} == {f"m{n}" for n in range(12)}
        assert "12 messages" in digest.json()["title"]
        assert set(run.outbox.states().values()) == {"sent", "collapsed"}


def test_a_backlog_is_not_read_anew_for_every_message(phone: Phone) -> None:
    """Three hundred urgent rows are read a few times, not three hundred times, and go out in their order."""
    with running(config({"phone": phone.url})) as run:
        run.add(*_each(300, lambda n: message(f"m{n}", created=START + n, priority="urgent")))
        run.clock.advance(60)
        assert [call.id for call in phone.calls] == [f"m{n}" for n in range(300)]
        assert run.outbox.reads < 30


def test_what_lies_ready_is_not_sent_after_another_channel_took_it(phone: Phone) -> None:
    """A stand-in that was already laid ready behind a slow message is dropped once the first channel is through."""
    with Phone() as second:

        def slowly(call: Call) -> Answer:
            phone.wait(2)  # the first channel has both
            return Answer()

        second.choose = slowly
        with running(config({"phone": phone.url, "second": second.url})) as run:
            run.add(
                message("m0", channel="second", priority="urgent"),
                message("m1", priority="urgent", facts={"siblings": ["m2"]}),
                message("m2", channel="second", priority="urgent", facts={"siblings": ["m1"]}),
                message("m3", priority="urgent"),
            )
            run.clock.advance(60)
        assert {call.id for call in phone.calls} == {"m1", "m3"}
        assert [call.id for call in second.calls] == ["m0"]


@pytest.mark.parametrize("bad", [Answer(manner="silent"), Answer(200, "trickle", pause_seconds=0.2), Answer(500)])
def test_a_dead_channel_delays_no_other(bad: Answer) -> None:
    """While one channel hangs or fails, the other delivers everything at once."""
    with Phone() as dead, Phone() as good:
        dead.usual = bad
        people = {"Marit": ["dead"], "Ode": ["good"]}
        both = config({"dead": dead.url, "good": good.url}, people)
        hasty = [channel.but(timeout_seconds=1.0) if channel.name == "dead" else channel for channel in both.channel]
        with running(both.but(channel=hasty)) as run:
            for n in range(5):
                urgent = {"priority": "urgent"}
                run.outbox.add(
                    message(f"d{n}", channel="dead", **urgent), message(f"g{n}", channel="good", person="Ode", **urgent)
                )
            run.dispatcher.wake.set()
            assert {call.id for call in good.wait(5)} == {f"g{n}" for n in range(5)}


def test_a_refused_message_goes_over_the_other_channel(phone: Phone) -> None:
    """A permanent refusal is reported, and the row that stands in goes out at once instead of after its wait."""
    with Phone() as broken:
        broken.usual = Answer(404)
        with running(config({"first": broken.url, "phone": phone.url})) as run:
            run.add(
                message("m1", channel="first", facts={"siblings": ["m2"]}),
                message("m2", next_try=START + 180, facts={"siblings": ["m1"]}),
            )
            assert [call.id for call in phone.calls] == ["m2"]
            assert run.outbox.states() == {"m1": "collapsed", "m2": "sent"}
            first = run.reports[0]
            assert (first.what, first.trouble) == ("channel first", True)
            assert "404" in first.text


def test_a_stand_in_is_not_sent_after_the_first_channel_took_it(phone: Phone) -> None:
    """Once a person's first channel has accepted, the waiting row for the second is settled unsent."""
    with Phone() as second:
        with running(config({"phone": phone.url, "second": second.url})) as run:
            run.add(
                message("m1", facts={"siblings": ["m2"]}),
                message("m2", channel="second", next_try=START + 180, facts={"siblings": ["m1"]}),
            )
            run.clock.advance(600)
        assert [call.id for call in phone.calls] == ["m1"]
        assert second.calls == []


def test_a_dead_first_channel_lets_the_second_step_in(phone: Phone) -> None:
    """When the first channel does not deliver, the second does after three minutes; the first then has nothing to add."""
    with Phone() as dead:
        dead.usual = REFUSED
        with running(config({"first": dead.url, "phone": phone.url})) as run:
            run.add(
                message("m1", channel="first", facts={"siblings": ["m2"]}),
                message("m2", next_try=START + 180, facts={"siblings": ["m1"]}),
            )
            run.clock.advance(200)
            assert [call.id for call in phone.calls] == ["m2"]
            dead.usual = Answer()
            run.clock.advance(600)
            assert dead.calls == []


def test_what_another_channel_took_holds_nothing_back(phone: Phone) -> None:
    """A row refused for a quarter of an hour and then taken by another channel does not delay what follows on its alarm."""
    with Phone() as first:
        first.next.append(Answer(404))
        with running(config({"first": first.url, "phone": phone.url})) as run:
            run.add(
                message("m1", channel="first", alarm="a", facts={"siblings": ["m2"]}),
                message("m2", alarm="a", next_try=START + 180, facts={"siblings": ["m1"]}),
            )
            assert [call.id for call in phone.calls] == ["m2"]
            run.add(message("m3", channel="first", alarm="a", created=START + 5))
            run.clock.advance(30)
            assert [call.id for call in first.calls if call.accepted] == ["m3"]


def test_a_huge_retry_after_is_clamped_and_blocks_nothing(phone: Phone) -> None:
    """429 with a wish of centuries is honoured for a quarter of an hour; the other channel goes on meanwhile."""
    with Phone() as busy:
        busy.next.append(Answer(429, headers={"Retry-After": "9999999999"}))
        people = {"Marit": ["busy"], "Ode": ["phone"]}
        with running(config({"busy": busy.url, "phone": phone.url}, people)) as run:
            run.add(message("m1", channel="busy"), message("m2", person="Ode"))
            assert [call.id for call in phone.calls] == ["m2"]
            run.clock.advance(840)
            assert len(busy.calls) == 1
            run.clock.advance(90)
            assert [call.id for call in busy.calls if call.accepted] == ["m1"]


def test_rows_the_store_refused_are_sent_from_memory(phone: Phone) -> None:
    """Handed-over rows go out under their ids though the outbox cannot be read, and once only."""

    def no_store() -> Outbox:
        raise OSError("no database")

    clock = ManualClock(wall=START)
    dispatcher = Dispatcher(config({"phone": phone.url}), no_store, clock, lambda _: None, lambda _: None)
    stop = threading.Event()
    thread = threading.Thread(target=dispatcher.run, args=(stop,))
    thread.start()
    dispatcher.hand_over([message("m1")])
    phone.wait(1)
    clock.advance(300)
    stop.set()
    dispatcher.wake.set()
    thread.join()
    assert [call.id for call in phone.calls] == ["m1"]


def test_an_expired_row_is_settled_unsent(phone: Phone) -> None:
    """A row past its end is not sent."""
    with running(config({"phone": phone.url})) as run:
        run.add(message("m1", expires=START - 1))
        assert run.outbox.states() == {"m1": "expired"}
    assert phone.calls == []


def test_stopping_in_the_middle_of_a_send_leaves_the_row_pending(phone: Phone) -> None:
    """A daemon that stops while a server is silent ends soon, and the row goes out after the next start."""
    phone.usual = Answer(manner="silent")
    run = Running(config({"phone": phone.url}, timeout_seconds=60.0))
    run.outbox.add(message("m1"))
    run.dispatcher.wake.set()
    phone.wait(1)
    run.stop()
    assert run.outbox.states() == {"m1": "pending"}


def _each(count: int, make: Callable[[int], Message]) -> list[Message]:
    return [make(n) for n in range(count)]


def test_mail_like_rates_are_kept_and_what_waits_is_gathered() -> None:
    """Beyond the hourly rate of a mail channel rows wait and are gathered into one; urgent ones pass."""
    from tests.servers.mail import MailServer

    with MailServer() as server:
        settings = config({"unused": "http://localhost:9/"})
        channel = {
            "kind": "mail", "name": "phone", "host": "localhost", "port": server.port, "security": "none",
            "sender": "rack@example.org", "to": ["marit@example.org"], "per_hour": 3,
        }  # fmt: skip
        whole = dict(settings) | {
            "channel": [channel],
            "person": [{"name": "Marit", "channels": ["phone"]}],
        }
        with running(checked(Config, whole)) as run:
            for n in range(10):
                run.clock.advance(60)
                run.add(message(f"m{n}", created=START + 60 * (n + 1)))
            assert len(server.mails) == 3
            run.add(message("fire", priority="urgent", facts={"kind": "hot"}, kind="hot"))
            assert len(server.mails) == 4
            run.clock.advance(3700)
            assert len(server.mails) == 5
            assert "7 messages" in server.mails[-1]["Subject"]
