"""The HTTP server: waitress, in threads named `page-*`, patient with slow clients but not for ever.

Why waitress: one thread collects every request and every answer, so a client that dribbles never holds a worker.
Measured on Python 3.11 beside jinja2, resident memory added and idle wakeups a minute: waitress 3.0 MB and 4
(with a 30 s loop; 62 with its own),
http.server 4.6 MB and 2 (a thread per slow client), cheroot 6.9 MB and 122, werkzeug's own server 8.0 MB and 122.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

log = logging.getLogger(__name__)

Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]

MOST_CONNECTIONS = 400
"""Sockets open at once; more wait in the kernel's queue. Well under a service's usual 1024 descriptors."""
WORKERS = 3
BODY_BYTES = 64 * 1024
HEADER_BYTES = 16 * 1024
ROUND_SECONDS = 10.0
"""A request must arrive whole within one to two of these rounds; an answer must be taken within four to five."""
IDLE_SECONDS = 60.0
_ANSWER_ROUNDS = 4
_PAUSE_SECONDS = 1.0


class PatientServer(TcpWSGIServer):
    """Waitress with deadlines for the whole request, which a dribbling client cannot renew, and no wall clock."""

    def maintenance(self, now: float) -> None:
        """Do nothing: waitress would compare wall clocks here, and those step."""

    def housekeeping(self, before: dict[HTTPChannel, tuple[object, float, int]]) -> dict[HTTPChannel, Any]:
        """Close what has not moved on since the round `before`; return this round's state for the next."""
        state: dict[HTTPChannel, tuple[object, float, int]] = {}
        channels: dict[int, HTTPChannel] = self.active_channels  # type: ignore[assignment]  # wrong in the stubs
        for channel in list(channels.values()):
            if channel.requests:
                continue  # a worker has it
            request, activity, rounds = before.get(channel, (None, -1.0, 0))
            rounds = rounds + 1 if channel.total_outbufs_len else 0
            same_request = channel.request is not None and channel.request is request
            idle = channel.request is None and channel.last_activity == activity
            if same_request or idle or rounds > _ANSWER_ROUNDS:
                channel.will_close = True
            state[channel] = (channel.request, channel.last_activity, rounds)
        return state


class HttpThread:
    """One listening socket with its I/O thread and workers. `address` is known once started."""

    def __init__(self, application: Wsgi, host: str, port: int) -> None:
        self._application = application
        self._host = host
        self._port = port
        self._stopping = threading.Event()
        self.address = (host, port)

    def start(self) -> None:
        """Listen and serve. Raises OSError when the address cannot be had."""
        listening = socket.create_server((self._host, self._port), backlog=128)
        adjustments = Adjustments(
            sockets=[listening],
            threads=WORKERS,
            connection_limit=MOST_CONNECTIONS,
            max_request_body_size=BODY_BYTES,
            max_request_header_size=HEADER_BYTES,
            ident="",
            expose_tracebacks=False,
            clear_untrusted_proxy_headers=False,  # the page looks at them itself, by the configured addresses
            asyncore_use_poll=True,
        )
        self._workers = ThreadedTaskDispatcher()
        self._workers.set_thread_count(WORKERS)
        self._map: dict[int, Any] = {}
        self._server = PatientServer(
            self._application,
            self._map,
            True,
            listening,
            dispatcher=self._workers,
            adj=adjustments,
            bind_socket=False,
            sockinfo=(listening.family, listening.type, listening.proto, listening.getsockname()),
        )
        self.address = listening.getsockname()[:2]
        for number, thread in enumerate(t for t in threading.enumerate() if t.name.startswith("waitress-")):
            thread.name = f"page-worker-{number}"
        self._thread = threading.Thread(target=self._run, name="page-io", daemon=True)
        self._thread.start()

    def stop(self, patience_seconds: float = 5.0) -> None:
        """Close every connection and end the threads."""
        self._stopping.set()
        self._server.pull_trigger()  # wakes the thread, which may wait for a minute
        self._thread.join(patience_seconds)
        self._workers.shutdown(timeout=int(patience_seconds))
        wasyncore.close_all(self._map, ignore_all=True)

    def _run(self) -> None:
        state: dict[HTTPChannel, Any] = {}
        next_round = time.monotonic() + ROUND_SECONDS
        while not self._stopping.is_set():
            # With nobody connected there is no deadline to keep, and the Pi may sleep longer.
            busy = bool(self._server.active_channels)
            timeout = max(0.0, next_round - time.monotonic()) if busy else IDLE_SECONDS
            try:
                wasyncore.loop(timeout=timeout, use_poll=True, map=self._map, count=1)
                if time.monotonic() >= next_round:
                    next_round = time.monotonic() + ROUND_SECONDS
                    state = self._server.housekeeping(state)
            except Exception:  # what one connection did must not end the page
                log.exception("page: a round failed")
                self._stopping.wait(_PAUSE_SECONDS)
