"""Events through random faults on real sockets and the real store: none lost, no id changed; kills in an outage."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tests.notify.fault_run import START, Post, outcome_of, problems, row
from tests.servers.receiver import Answer, Phone

from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper.store.records import MOST_DUE, Batch, Message
from dewkeeper_config.models import Storage

EVENTS = 300
"""The campaign has ten thousand."""


@pytest.mark.slow
def test_no_event_is_lost_and_no_id_changes_through_random_faults(tmp_path: Path) -> None:
    """Every event arrives under its id through every kind of fault; doubles only where a reply was lost."""
    outcome = outcome_of(tmp_path, EVENTS, seed=7)
    assert not problems(outcome)
    assert sum(outcome["faults"].values()) > EVENTS // 6


def test_a_dead_way_with_many_waiting_hides_no_other_and_memory_stays_bounded(tmp_path: Path) -> None:
    """Of more rows than are read at once the oldest are, the urgent one among them; the other channel's row is there.

    All of them are counted.
    """
    post = Post(tmp_path, ManualClock(wall=START))
    calm = [replace(row(1, START), id=f"c{n}", channel="dead", priority="medium") for n in range(MOST_DUE + 500)]
    post.add(*calm, replace(row(1, START), id="urgent", channel="dead"), row(3, START))
    post.close()
    with History.open(tmp_path) as history:
        due = [message.id for message in history.messages_due(START)]
        waiting = {channel: of for (_, channel), of in history.waiting().items()}
    assert due == [f"c{n}" for n in range(MOST_DUE - 1)] + ["urgent", "m3"]
    assert waiting["dead"] == (MOST_DUE + 501, "")


_KILLED = """
import sys, threading
from pathlib import Path
from dewkeeper.clock import SystemClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config, Storage

folder, url = Path(sys.argv[1]), sys.argv[2]
store = Store.open(folder, Storage(), SystemClock())
config = checked(Config, {
    "rack": [{"name": "left"}], "enclosure": [{"name": "B4", "rack": "left"}], "probe": [{"name": "b4", "enclosure": "B4"}],
    "channel": [{"kind": "webhook", "name": "phone", "url": url, "timeout_seconds": 30.0}],
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
                f"c{n}",
                at,
                "Marit",
                "phone",
                f"B{n}: too dry",
                ("x",),
                "medium",
                "dry",
                alarm=f"a{n}",
                event=f"e{n}",
                facts=facts,
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
    # On a busy machine a reply may come too late and its message once more, under its id: none is lost, none is another.
    assert set(ids) == {"m901", "m902", digest.id}
    assert ids.index("m901") < ids.index("m902")
    assert {gathered["id"] for gathered in digest.json()["gathers"]} == {f"c{n}" for n in range(40)}
