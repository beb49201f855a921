"""An HTTP(S) receiver that accepts, refuses, hangs, trickles or hangs up, as it is told."""

from __future__ import annotations

import contextlib
import json
import socket
import ssl
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Any, Literal

Manner = Literal["answer", "reset_before", "reset_after", "silent", "trickle"]


@dataclass(frozen=True, slots=True)
class Answer:
    """How one request is met.

    answer: with status and headers. reset_before: the connection is torn down unread. reset_after: the message is
    taken in, then the connection is torn down without a reply. silent: nothing is ever said. trickle: the reply
    comes one byte per `pause_seconds`.
    """

    status: int = 204
    manner: Manner = "answer"
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    pause_seconds: float = 0.05


@dataclass(frozen=True, slots=True)
class Call:
    """One request that was read whole. accepted: this server regards the message as delivered; OPTIONS carries none."""

    path: str
    headers: Mapping[str, str]
    body: bytes
    accepted: bool
    at: float = 0.0
    manner: Manner = "answer"
    method: str = "POST"

    @property
    def id(self) -> str:
        """The event id the sender gave."""
        return self.headers.get("webhook-id", "")

    def json(self) -> dict[str, Any]:
        """Return the body as JSON."""
        parsed: dict[str, Any] = json.loads(self.body)
        return parsed


class Phone:
    """Listens on a free loopback port while entered.

    next: answers for the next requests, in order; `usual` after those; `choose`, if given, decides instead, from the
    parsed request. context: serve TLS with it; `choose_context`, if given, decides instead for each connection.
    """

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.next: deque[Answer] = deque()
        self.usual = Answer()
        self.choose: Callable[[Call], Answer] | None = None
        self.choose_context: Callable[[], ssl.SSLContext] | None = None
        self.connections = 0
        self._context = context
        self._calls: list[Call] = []
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        self._open: set[socket.socket] = set()
        self._ended = threading.Event()
        self._workers: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.port = int(self._listener.getsockname()[1])
        self._thread = threading.Thread(target=self._listen, name="phone")

    @property
    def url(self) -> str:
        """Address to POST to."""
        return f"{'http' if self._context is None else 'https'}://localhost:{self.port}/hook"

    @property
    def calls(self) -> list[Call]:
        """Everything read whole so far, in order."""
        with self._lock:
            return list(self._calls)

    def take(self) -> list[Call]:
        """Return everything read whole so far, in order, and forget it."""
        with self._lock:
            taken, self._calls = self._calls, []
            return taken

    def wait(self, count: int, patience_seconds: float = 20.0) -> list[Call]:
        """Return the calls once there are so many. Raises TimeoutError."""
        with self._changed:
            if not self._changed.wait_for(lambda: len(self._calls) >= count, patience_seconds):
                raise TimeoutError(f"{len(self._calls)} of {count} calls came")
            return list(self._calls)

    def wait_for_connections(self, count: int, patience_seconds: float = 20.0) -> None:
        """Return once so many connections came, answered or not. Raises TimeoutError."""
        with self._changed:
            if not self._changed.wait_for(lambda: self.connections >= count, patience_seconds):
                raise TimeoutError(f"{self.connections} of {count} connections came")

    def __enter__(self) -> Phone:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self.refuse()
        with self._lock:
            for connection in self._open:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        for worker in self._workers:
            worker.join()

    def refuse(self) -> None:
        """Stop listening: connections are refused."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        if self._thread.is_alive():
            self._thread.join()

    def listen(self) -> None:
        """Listen again, on the same port."""
        self._listener = socket.create_server(("127.0.0.1", self.port), backlog=128)
        self._thread = threading.Thread(target=self._listen, name="phone")
        self._thread.start()

    def _listen(self) -> None:
        while not self._ended.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            worker = threading.Thread(target=self._serve, args=(connection,), name="phone call")
            with self._lock:
                self.connections += 1
                self._changed.notify_all()
                self._open.add(connection)
                self._workers = [w for w in self._workers if w.is_alive()] + [worker]
                worker.start()

    def _serve(self, connection: socket.socket) -> None:
        active = connection
        try:
            connection.settimeout(30)
            context = self._context if self.choose_context is None else self.choose_context()
            if context is not None:
                active = context.wrap_socket(connection, server_side=True)
                with self._lock:
                    self._open.discard(connection)
                    self._open.add(active)
            self._meet(active)
        except OSError:
            pass  # the other side gave up, or this server ended
        finally:
            with self._lock:
                self._open.discard(active)
                self._open.discard(connection)
            active.close()
            connection.close()

    def _meet(self, connection: socket.socket) -> None:
        answer = None
        if self.choose is None:
            with self._lock:
                answer = self.next.popleft() if self.next else self.usual
            if answer.manner == "reset_before":
                _reset(connection)
                return
        call = _read(connection)
        if call is None:
            return
        if answer is None and self.choose is not None:
            answer = self.choose(call)
        assert answer is not None  # one of the two ways gave it
        if answer.manner == "reset_before":
            _reset(connection)
            return
        accepted = (
            answer.manner in ("answer", "reset_after", "trickle")
            and 200 <= answer.status < 300
            and call.method != "OPTIONS"
        )
        with self._changed:
            self._calls.append(replace(call, accepted=accepted, at=time.monotonic(), manner=answer.manner))
            self._changed.notify_all()
        self._reply(connection, answer)

    def _reply(self, connection: socket.socket, answer: Answer) -> None:
        if answer.manner == "reset_after":
            _reset(connection)
            return
        if answer.manner == "silent":
            while connection.recv(4096):
                pass
            return
        lines = [f"HTTP/1.1 {answer.status} said", f"Content-Length: {len(answer.body)}"]
        lines += [f"{name}: {value}" for name, value in answer.headers.items()]
        whole = ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1") + answer.body
        if answer.manner == "answer":
            connection.sendall(whole)
            return
        for byte in whole:
            if self._ended.wait(answer.pause_seconds):
                return
            connection.sendall(bytes([byte]))


def _read(connection: socket.socket) -> Call | None:
    data = b""
    while b"\r\n\r\n" not in data:
        piece = connection.recv(65536)
        if not piece:
            return None
        data += piece
    head, _, body = data.partition(b"\r\n\r\n")
    first, *rest = head.decode("latin-1").split("\r\n")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in rest)}
    while len(body) < int(headers.get("content-length", "0")):
        piece = connection.recv(65536)
        if not piece:
            return None
        body += piece
    method, path, *_ = first.split(" ")
    return Call(path, headers, body, False, method=method)


def _reset(connection: socket.socket) -> None:
    """Close so that the other side gets a reset, not an orderly end."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()
