"""How long from commit to the first byte at the phone, and what the dispatcher costs beside a bare requests.post.

Run: python tests/bench/notify/bench_first_send.py [MESSAGES]. Prints JSON; exits 1 past the limits.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

import requests
from tests.servers.receiver import Phone

from dewkeeper.clock import SystemClock
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch, DeliveryResult, Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config, Storage

LONGEST_SECONDS = 2.0


def _config(url: str) -> Config:
    return checked(
        Config,
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": "B4", "rack": "left"}],
            "probe": [{"name": "b4", "enclosure": "B4"}],
            "channel": [{"kind": "webhook", "name": "phone", "url": url}],
            "person": [{"name": "Marit", "channels": ["phone"]}],
        },
    )


def _message(number: int) -> Message:
    return Message(
        f"m{number}", int(time.time()), "Marit", "phone", "B4: too hot since 02:10 – heat off at plug", ("line",) * 8,
        "urgent", "hot", alarm=f"a{number}", event=f"e{number}", facts={"happening": "raised", "kind": "hot", "since": 1},
    )  # fmt: skip


def measured(count: int) -> tuple[list[float], list[float]]:
    """Return seconds from the end of each commit to its arrival, and of a bare post to its own, by turns: one load for both."""
    ours, plain = [], []
    lock = threading.Lock()
    body = json.dumps({"title": "B4: too hot since 02:10 – heat off at plug", "lines": ["line"] * 8}).encode()
    with tempfile.TemporaryDirectory() as folder, Phone() as phone, Phone() as other:
        clock = SystemClock()
        store = Store.open(Path(folder), Storage(), clock)

        def deliver(result: DeliveryResult) -> None:
            with lock:
                store.commit(Batch(deliveries=(result,)))

        dispatcher = Dispatcher(_config(phone.url), lambda: History.open(Path(folder)), clock, deliver, lambda _: None)
        stop = threading.Event()
        thread = threading.Thread(target=dispatcher.run, args=(stop,))
        thread.start()
        for number in range(count):
            with lock:
                store.commit(Batch(messages=(_message(number),)))
            committed = time.monotonic()
            dispatcher.wake.set()
            ours.append(phone.wait(number + 1)[number].at - committed)
            time.sleep(0.02)  # the answer is taken in and stored
            began = time.monotonic()
            requests.post(other.url, data=body, timeout=5)
            plain.append(other.calls[number].at - began)
        stop.set()
        dispatcher.wake.set()
        thread.join()
        store.close()
    return ours, plain


def main() -> int:
    """Measure, print, judge."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    ours, plain = measured(count)
    found = {
        "messages": count,
        "commit_to_arrival_ms_median": round(statistics.median(ours) * 1000, 2),
        "commit_to_arrival_ms_p99": round(sorted(ours)[int(count * 0.99)] * 1000, 2),
        "bare_post_ms_median": round(statistics.median(plain) * 1000, 2),
        "ratio_of_medians": round(statistics.median(ours) / statistics.median(plain), 2),
    }
    print(json.dumps(found))
    return 0 if max(ours) <= LONGEST_SECONDS else 1


if __name__ == "__main__":
    sys.exit(main())
