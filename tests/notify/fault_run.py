"""Events through random faults on real sockets, names, certificates and the real store; prints what came of them.

Run as `python fault_run.py FOLDER EVENTS SEED`. A fifth of all attempts is met with a fault, chosen anew each time:
connection refused, reset before and after acceptance, silence, a trickle, 429 and 503 with Retry-After of centuries,
a date and junk, 500, 404, a redirect; certificates expired, of another host, not yet valid, signed by nobody; names
that are not found or never answered; by mail 421, 450, 451, 454, 535, 550, 554, silence and the same certificates.
Names need root: then /etc/resolv.conf is another one in a mount namespace of this process alone.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from email.utils import formatdate
from pathlib import Path
from typing import Any

from tests.servers import names
from tests.servers.authority import Authority, Flaw
from tests.servers.mail import MailServer, Refusal
from tests.servers.receiver import Answer, Call, Phone

from dewkeeper.clock import ManualClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch, DeliveryResult, Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config, Storage

START = 1_790_000_000
BATCH = 50
PHONE_NAME = "phone.rack.test"
_NAME_SERVER = "DEWKEEPER_FAULT_RUN_NAME_SERVER"

CENTURIES = {"Retry-After": "9999999999"}
ANSWERS = {
    "reset before acceptance": Answer(manner="reset_before"),
    "reset after acceptance": Answer(manner="reset_after"),
    "429, centuries": Answer(429, headers=CENTURIES),
    "503, a date": Answer(503),
    "503, junk": Answer(503, headers={"Retry-After": "soon"}),
    "500": Answer(500),
    "404": Answer(404),
    "301": Answer(301, headers={"Location": "http://localhost/"}),
}
HANGING = {
    "silence": Answer(manner="silent"),
    "trickle": Answer(200, "trickle", pause_seconds=0.2),
}
FLAWS: tuple[Flaw, ...] = ("expired", "wrong_host", "not_yet_valid", "self_signed")
REFUSALS = {
    f"mail {said[:3]} at {stage}": Refusal(stage, said)  # type: ignore[arg-type]
    for stage, said in (
        ("recipient", "421 4.3.0 closing"), ("login", "454 4.7.0 later"), ("recipient", "550 5.1.1 no"),
        ("login", "535 5.7.8 no"), ("data", "451 4.3.0 later"), ("data", "554 5.7.1 no"), ("recipient", "450 4.2.1 busy"),
    )
}  # fmt: skip
HANG_SHARE = 0.003
"""Of the attempts: each takes a real second."""


class Faults:
    """Chooses, counts, and is asked from many threads."""

    def __init__(self, seed: int, authority: Authority, clock: ManualClock) -> None:
        self._chance = random.Random(seed)
        self._authority = authority
        self._clock = clock
        self._lock = threading.Lock()
        self.counts: Counter[str] = Counter()

    def name(self, asked: str) -> names.Manner:
        with self._lock:
            met = self._chance.random()
            if met < HANG_SHARE / 3:
                self.counts["name never answered"] += 1
                return "stall"
            if met < 0.015:
                self.counts["name not found"] += 1
                return "fail"
            return "answer"

    def certificate(self) -> Any:
        with self._lock:
            flaw: Flaw = self._chance.choice(FLAWS) if self._chance.random() < 0.04 else ""
            if flaw:
                self.counts[f"certificate {flaw}"] += 1
        return self._authority.context(flaw)

    def answer(self, call: Call) -> Answer:
        with self._lock:
            met = self._chance.random()
            if met < HANG_SHARE:
                which = self._chance.choice(sorted(HANGING))
                self.counts[which] += 1
                return HANGING[which]
            if met >= 0.15:
                return Answer()
            which = self._chance.choice(sorted(ANSWERS))
            self.counts[which] += 1
            if which == "503, a date":
                wish = self._clock.wall() + self._chance.choice((-60, 45, 10**7))
                return Answer(503, headers={"Retry-After": formatdate(wish, usegmt=True)})
            return ANSWERS[which]

    def refusal(self) -> Refusal | None:
        with self._lock:
            met = self._chance.random()
            if met < HANG_SHARE:
                self.counts["mail silence after the data"] += 1
                return Refusal("silent")
            if met >= 0.16:
                return None
            which = self._chance.choice(sorted(REFUSALS))
            self.counts[which] += 1
            return REFUSALS[which]

    def refused(self) -> bool:
        with self._lock:
            return self._chance.random() < 0.1


class Arrived:
    """What the servers took in, by id; `lost`: how often without the sender learning of it."""

    def __init__(self, phone: Phone, mail: MailServer) -> None:
        self._phone, self._mail = phone, mail
        self.took: Counter[str] = Counter()
        self.lost: Counter[str] = Counter()

    def count(self) -> None:
        """Count what came since last time; the servers forget it, so that memory is the sender's."""
        calls = [call for call in self._phone.take() if call.accepted]
        self.took.update(call.id for call in calls)
        self.lost.update(call.id for call in calls if call.manner in ("reset_after", "trickle"))
        self.took.update(str(letter["Message-ID"])[1:].partition("@")[0] for letter in self._mail.take())


class Post:
    """The writer's part: commits messages and results, and keeps which attempts ended without a reply."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self._store = Store.open(folder, Storage(), clock)
        self._lock = threading.Lock()
        self.unanswered: Counter[str] = Counter()

    def deliver(self, result: DeliveryResult) -> None:
        with self._lock:
            if "no answer within" in result.error:
                self.unanswered[result.message] += 1
            self._store.commit(Batch(deliveries=(result,)))

    def add(self, *messages: Message) -> None:
        with self._lock:
            self._store.commit(Batch(messages=messages))

    def close(self) -> None:
        self._store.close()


def configured(host: str, phone: Phone, mail: MailServer, authority: Authority) -> Config:
    """Return two people: one over the phone, one over mail, each alone on it."""
    return checked(Config,
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": "B4", "rack": "left"}],
            "probe": [{"name": "b4", "enclosure": "B4"}],
            "channel": [
                {
                    "kind": "webhook", "name": "phone", "url": f"https://{host}:{phone.port}/hook", "timeout_seconds": 1.0,
                    "ca_file": str(authority.ca_file),
                },
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


def usage() -> dict[str, int]:
    """Return threads, open descriptors and resident kilobytes of this process."""
    gc.collect()
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines() if ":" in line)
    return {
        "threads": threading.active_count(),
        "descriptors": len(list(Path("/proc/self/fd").iterdir())),
        "resident_kb": int(status["VmRSS"].split()[0]),
    }


@contextlib.contextmanager
def named(faults: Faults) -> Iterator[str]:
    """Give the name under which the phone is reached: looked up with faults if this process may."""
    address = os.environ.get(_NAME_SERVER)
    if address is None:
        yield "localhost"
        return
    with names.Names(address, faults.name):
        yield PHONE_NAME


def run(folder: Path, events: int, seed: int) -> dict[str, Any]:
    """Send everything and return what came of it."""
    began = time.monotonic()
    clock = ManualClock(wall=START)
    authority = Authority(folder)
    faults = Faults(seed, authority, clock)
    stop = threading.Event()
    with (
        Phone(authority.context()) as phone,
        MailServer(authority.context(), ("rack", "pw")) as mail,
        named(faults) as host,
    ):
        phone.choose, phone.choose_context = faults.answer, faults.certificate
        mail.choose, mail.choose_context = faults.refusal, faults.certificate
        arrived = Arrived(phone, mail)
        post = Post(folder, clock)
        dispatcher = Dispatcher(
            configured(host, phone, mail, authority), lambda: History.open(folder), clock, post.deliver, lambda _: None
        )
        thread = threading.Thread(target=dispatcher.run, args=(stop,), name="dispatcher")
        thread.start()
        clock.expect("dispatcher")
        # What is loaded and made once is there after a tenth of the run.
        settled, usages = max(BATCH, events // 10 // BATCH * BATCH), []
        for first in range(0, events, BATCH):
            if first == settled:
                usages.append(usage())
            refuses = faults.refused()
            if refuses:
                faults.counts["connection refused"] += 1
                phone.refuse()
            post.add(*[row(n, int(clock.wall())) for n in range(first, min(first + BATCH, events))])
            dispatcher.wake.set()
            clock.advance(1)
            if refuses:
                phone.listen()
            clock.advance(59)
            arrived.count()
        with History.open(folder) as history:
            while history.seconds_to_due(0) is not None:
                clock.advance(600)
                arrived.count()
            usages.append(usage())
            states = Counter(message.state for message in history.messages())
        simulated_hours = (clock.wall() - START) / 3600
        stop.set()
        dispatcher.wake.set()
        thread.join()
        post.close()
    took, lost = arrived.took, arrived.lost
    return {
        "events": events,
        "states": dict(states),
        "lost": sorted({f"m{n}" for n in range(events)} - set(took)),
        "foreign": sorted(set(took) - {f"m{n}" for n in range(events)}),
        "doubled": sum(took.values()) - len(took),
        "doubled without a lost reply": sorted(
            i for i, count in took.items() if count - 1 > lost[i] + post.unanswered[i]
        ),
        "replies lost after acceptance": sum(lost.values()),
        "faults": dict(sorted(faults.counts.items())),
        "usage": usages,
        "simulated_hours": round(simulated_hours, 1),
        "seconds": round(time.monotonic() - began, 1),
    }


def outcome_of(folder: Path, events: int, seed: int) -> dict[str, Any]:
    """Run this program and return what it prints."""
    command = [sys.executable, "-W", "error", __file__, str(folder), str(events), str(seed)]
    ours = os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])  # it is a program of the tests' own
    made = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": ours})
    assert made.returncode == 0, made.stderr[-3000:]
    outcome: dict[str, Any] = json.loads(made.stdout)
    return outcome


def problems(outcome: dict[str, Any]) -> list[str]:
    """Return what must not have come of a run."""
    before, after = outcome["usage"]
    found = [
        f"{name}: {outcome[name]}" for name in ("lost", "foreign", "doubled without a lost reply") if outcome[name]
    ]
    if outcome["states"] != {"sent": outcome["events"]}:
        found.append(f"states: {outcome['states']}")
    if after["threads"] > before["threads"] + 4:  # as many as may be given up
        found.append(f"threads: {before['threads']} → {after['threads']}")
    if after["descriptors"] > before["descriptors"] + 12:
        found.append(f"descriptors: {before['descriptors']} → {after['descriptors']}")
    if after["resident_kb"] > before["resident_kb"] + 15_000:
        found.append(f"resident memory: {before['resident_kb']} → {after['resident_kb']} kB")
    return found


def main() -> int:
    """Run in a namespace of its own where that is allowed."""
    folder, events, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    if os.geteuid() == 0 and _NAME_SERVER not in os.environ:
        address = f"127.77.{os.getpid() >> 8 & 255}.{os.getpid() & 255}"  # others may run beside this one
        resolver = folder / "resolv.conf"
        resolver.write_text(f"nameserver {address}\noptions timeout:2 attempts:1\n")
        mount = f'mount --bind "{resolver}" /etc/resolv.conf && exec "$@"'
        # Slave: it lets go of what the fault campaign unmounts beside it.
        own = ["unshare", "--mount", "--propagation", "slave"]
        command = [*own, "sh", "-c", mount, "sh", sys.executable, "-W", "error", *sys.argv]
        if subprocess.run([*own, "true"], capture_output=True, check=False).returncode == 0:
            return subprocess.run(command, env={**os.environ, _NAME_SERVER: address}, check=False).returncode
    print(json.dumps(run(folder, events, seed), indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
