"""Thousands of events through random faults on real sockets and the real store: none lost, no id changed."""

from __future__ import annotations

import gc
import os
import random
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch, DeliveryResult, Message
from dewkeeper_config.models import Config, Storage
from dewkeeper_demo.servers.authority import Authority
from dewkeeper_demo.servers.mail import MailServer, Refusal
from dewkeeper_demo.servers.phone import Answer, Call, Phone

START = 1_790_000_000
EVENTS = int(os.environ.get("DEWKEEPER_FAULT_EVENTS", "400"))
"""The quick run keeps the shape; ten thousand have not been run to the end yet."""
FAULTS = (
    Answer(manner="reset_before"),
    Answer(manner="reset_after"),
    Answer(manner="silent"),
    Answer(200, "trickle", pause_seconds=0.2),
    Answer(429, headers={"Retry-After": "9999999999"}),
    Answer(503, headers={"Retry-After": "Wed, 21 Oct 2026 07:28:00 GMT"}),
    Answer(503, headers={"Retry-After": "soon"}),
    Answer(500),
    Answer(404),
    Answer(301, headers={"Location": "http://localhost/"}),
)
MAIL_FAULTS = (
    Refusal("recipient", "421 4.3.0 closing"), Refusal("login", "454 4.7.0 later"), Refusal("recipient", "550 5.1.1 no"),
    Refusal("login", "535 5.7.8 no"), Refusal("data", "451 4.3.0 later"), Refusal("silent"),
)  # fmt: skip


class Post:
    """The writer's part: one thread commits results and messages to the real store."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self._store = Store.open(folder, Storage(), clock)
        self._lock = threading.Lock()

    def deliver(self, result: DeliveryResult) -> None:
        with self._lock:
            self._store.commit(Batch(deliveries=(result,)))

    def add(self, *messages: Message) -> None:
        with self._lock:
            self._store.commit(Batch(messages=messages))

    def close(self) -> None:
        self._store.close()


def configured(phone: Phone, mail: MailServer, authority: Authority) -> Config:
    """Return two people: one over the phone, one over mail, each alone on it."""
    return Config.model_validate(
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": "B4", "rack": "left"}],
            "probe": [{"name": "b4", "enclosure": "B4"}],
            "channel": [
                {"kind": "webhook", "name": "phone", "url": phone.url, "timeout_seconds": 1.0},
                {
                    "kind": "mail", "name": "mail", "host": "localhost", "port": mail.port, "username": "rack",
                    "password": "pw", "sender": "rack@example.org", "to": ["ode@example.org"], "per_hour": 1000,
                    "ca_file": str(authority.ca_file), "timeout_seconds": 1.0,
                },
            ],
            "person": [{"name": "Marit", "channels": ["phone"]}, {"name": "Ode", "channels": ["mail"]}],
        }
    )  # fmt: skip


def row(number: int, at: int) -> Message:
    """Return the message of one event: one in ten by mail, all urgent so that none is gathered."""
    by_mail = number % 10 == 0
    return Message(
        f"m{number}", at, "Ode" if by_mail else "Marit", "mail" if by_mail else "phone", f"B4: {number}", ("line",),
        "urgent", "hot", alarm=f"a{number}", event=f"e{number}", thread=f"a{number}",
        facts={"happening": "raised", "kind": "hot", "since": at, "enclosure": "B4"},
    )  # fmt: skip


def fault_sometimes(chance: random.Random, share: float) -> Callable[[Call], Answer]:
    """Return what meets so large a share of requests with a fault; hanging ones are rare, for each takes a real second."""

    def choose(call: Call) -> Answer:
        if chance.random() >= share:
            return Answer()
        fault = chance.choice(FAULTS)
        return Answer(500) if fault.manner in ("silent", "trickle") and chance.random() > 0.02 else fault

    return choose


@pytest.mark.slow
def test_no_event_is_lost_and_no_id_changes_through_random_faults(tmp_path: Path, authority: Authority) -> None:
    """Every event arrives under its id; doubles only where a reply was lost; threads and descriptors stay flat."""
    chance = random.Random(7)
    clock = ManualClock(wall=START)
    with Phone() as phone, MailServer(authority.context(), ("rack", "pw")) as mail:
        phone.choose = fault_sometimes(chance, 0.2)
        mail.next.extend(chance.choice(MAIL_FAULTS[:5]) if chance.random() < 0.2 else None for _ in range(EVENTS))
        post = Post(tmp_path, clock)
        dispatcher = Dispatcher(
            configured(phone, mail, authority), lambda: History.open(tmp_path), clock, post.deliver, lambda _: None
        )
        stop = threading.Event()
        thread = threading.Thread(target=dispatcher.run, args=(stop,), name="dispatcher")
        thread.start()
        post.add(row(0, START))
        dispatcher.wake.set()
        mail.wait(1)
        before = (threading.active_count(), len(list(Path("/proc/self/fd").iterdir())))
        for first in range(1, EVENTS, 50):
            post.add(*[row(n, int(clock.wall())) for n in range(first, min(first + 50, EVENTS))])
            dispatcher.wake.set()
            clock.advance(60)
        with History.open(tmp_path) as history:
            while history.messages_due(int(clock.wall()) + 10**6):
                clock.advance(600)
            states = Counter(message.state for message in history.messages())
        gc.collect()
        after = (threading.active_count(), len(list(Path("/proc/self/fd").iterdir())))
        stop.set()
        dispatcher.wake.set()
        thread.join()
        post.close()
    assert states == {"sent": EVENTS}
    accepted = Counter(call.id for call in phone.calls if call.accepted)
    by_mail = Counter(str(letter["Message-ID"]) for letter in mail.mails)
    assert set(accepted) == {f"m{n}" for n in range(EVENTS) if n % 10}
    assert set(by_mail) == {f"<m{n}@example.org>" for n in range(0, EVENTS, 10)}
    assert sum(accepted.values()) - len(accepted) <= lost_replies(phone)
    assert set(by_mail.values()) == {1}
    assert after[0] <= before[0] + 4
    assert after[1] <= before[1] + 12


def lost_replies(phone: Phone) -> int:
    """Return how many requests were taken in without the sender learning of it."""
    return sum(call.manner in ("reset_after", "trickle") for call in phone.calls if call.accepted)


def test_a_dead_way_with_thousands_waiting_hides_no_other_and_memory_stays_bounded(tmp_path: Path) -> None:
    """Of 2500 rows waiting for one channel 2000 are read, the urgent one among them; the other channel's row is there."""
    post = Post(tmp_path, ManualClock(wall=START))
    calm = [replace(row(1, START), id=f"c{n}", channel="dead", priority="medium") for n in range(2500)]
    post.add(*calm, replace(row(1, START), id="urgent", channel="dead"), row(3, START))
    post.close()
    with History.open(tmp_path) as history:
        due = [message.id for message in history.messages_due(START)]
    assert due == [f"c{n}" for n in range(1999)] + ["urgent", "m3"]


_KILLED = """
import sys, threading
from pathlib import Path
from dewkeeper.clock import SystemClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Config, Storage

folder, url = Path(sys.argv[1]), sys.argv[2]
store = Store.open(folder, Storage(), SystemClock())
config = Config.model_validate({
    "rack": [{"name": "left"}], "enclosure": [{"name": "B4", "rack": "left"}], "probe": [{"name": "b4", "enclosure": "B4"}],
    "channel": [{"kind": "webhook", "name": "phone", "url": url, "timeout_seconds": 2.0}],
    "person": [{"name": "Marit", "channels": ["phone"]}],
})
Dispatcher(config, lambda: History.open(folder), SystemClock(), lambda r: store.commit(Batch(deliveries=(r,))),
           lambda _: None).run(threading.Event())
"""


@pytest.mark.slow
def test_killed_in_the_middle_of_an_outage_it_loses_nothing(tmp_path: Path) -> None:
    """A three-day outage with kills in between ends in one digest and the urgent ones, in order, under stored ids."""
    import subprocess
    import sys
    import time

    now = int(time.time())
    clock = ManualClock(wall=now)
    store = Store.open(tmp_path, Storage(), clock)
    calm: list[Message] = []
    for n in range(40):
        at = now - 72 * 3600 + n * 6000
        facts: dict[str, Any] = {"happening": "raised", "kind": "dry", "since": at, "enclosure": f"B{n}"}
        calm.append(
            Message(
                f"c{n}", at, "Marit", "phone", f"B{n}: too dry", ("x",), "medium", "dry", alarm=f"a{n}", event=f"e{n}", facts=facts
            )
        )
    store.commit(Batch(messages=(*calm, row(901, now - 7200), row(902, now - 3600))))
    store.close()
    with Phone() as phone:
        phone.usual = Answer(manner="reset_before")
        for kill in range(4):
            if kill == 3:
                phone.usual = Answer()
            process = subprocess.Popen([sys.executable, "-c", _KILLED, str(tmp_path), phone.url])
            if kill < 3:
                phone.wait_for_connections(kill + 1)
            else:
                with History.open(tmp_path) as history:
                    phone.wait(3, 60)
                    while history.messages_due(now + 10**6):
                        process.poll()
            process.kill()
            process.wait()
        ids = [call.id for call in phone.calls]
        digest = next(call for call in phone.calls if call.json()["type"] == "digest")
    assert sorted(ids) == sorted({"m901", "m902", digest.id})
    assert ids.index("m901") < ids.index("m902")
    assert {gathered["id"] for gathered in digest.json()["gathers"]} == {f"c{n}" for n in range(40)}
