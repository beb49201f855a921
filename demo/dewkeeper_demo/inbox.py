"""A phone and a mailbox on this machine: a real HTTP server and a real SMTP server that keep what they are sent."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any

from aiosmtpd.smtp import SMTP


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it arrived. `genuine`: the signature was right; None where there was none to check."""

    device: str
    id: str
    title: str
    lines: tuple[str, ...]
    genuine: bool | None = None
    headers: dict[str, str] = field(default_factory=dict)
    body: dict[str, Any] = field(default_factory=dict)


class Inbox:
    """Receives webhooks and mails on free loopback ports. `arrived` is called with each, from a server's thread."""

    def __init__(self, arrived: Callable[[Arrival], None] | None = None, secret: str | None = None) -> None:
        self._tell = arrived
        self._secret = secret
        self._lock = threading.Lock()
        self._kept: list[Arrival] = []
        self._http = _PhoneServer(self)
        self._http_thread = threading.Thread(target=self._http.serve_forever, args=(0.05,), name="inbox http")
        self._smtp = _MailServer(_Mailbox(self))

    @property
    def http_port(self) -> int:
        """TCP port of the phone's webhook."""
        return int(self._http.server_address[1])

    @property
    def smtp_port(self) -> int:
        """TCP port of the mail server."""
        return self._smtp.port

    @property
    def arrivals(self) -> tuple[Arrival, ...]:
        """Everything received so far, in order."""
        with self._lock:
            return tuple(self._kept)

    def __enter__(self) -> Inbox:
        self._http_thread.start()
        self._smtp.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._smtp.stop()
        self._http.shutdown()
        self._http.server_close()
        self._http_thread.join()

    def listen(self, arrived: Callable[[Arrival], None]) -> None:
        """Have each further message told to somebody else."""
        self._tell = arrived

    def keep(self, arrival: Arrival) -> None:
        """Take in one message."""
        with self._lock:
            self._kept.append(arrival)
        if self._tell is not None:
            self._tell(arrival)

    def check(self, headers: dict[str, str], body: bytes) -> bool | None:
        """Check a webhook's signature as the Standard Webhooks specification says; None without a secret."""
        if self._secret is None:
            return None
        key = base64.b64decode(self._secret.removeprefix("whsec_"))
        stamp = f"{headers.get('webhook-id', '')}.{headers.get('webhook-timestamp', '')}.".encode()
        wanted = "v1," + base64.b64encode(hmac.new(key, stamp + body, hashlib.sha256).digest()).decode()
        return any(hmac.compare_digest(wanted, given) for given in headers.get("webhook-signature", "").split())


class _PhoneServer(ThreadingHTTPServer):
    daemon_threads = False  # closing the server waits for what is being received

    def __init__(self, inbox: Inbox) -> None:
        self.inbox = inbox
        super().__init__(("127.0.0.1", 0), _Phone)


class _Phone(BaseHTTPRequestHandler):
    server: _PhoneServer
    timeout = 10

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        headers = {name.lower(): value for name, value in self.headers.items()}
        try:
            parsed = json.loads(body)
        except ValueError:
            parsed = {"text": body.decode("utf-8", "replace")}
        self.server.inbox.keep(_from_webhook(headers, parsed, self.server.inbox.check(headers, body)))
        self.send_response(204)  # only now: a sender told "accepted" must be able to rely on it
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


class _MailServer:
    """aiosmtpd's protocol on a free port; its own controller must be told the port beforehand."""

    def __init__(self, handler: _Mailbox) -> None:
        self._handler = handler
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended: asyncio.Event | None = None
        self._begun = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), name="inbox smtp")

    def start(self) -> None:
        self._thread.start()
        self._begun.wait()

    def stop(self) -> None:
        assert self._loop is not None  # start() came first
        assert self._ended is not None
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()

    async def _serve(self) -> None:
        self._loop, self._ended = asyncio.get_running_loop(), asyncio.Event()
        server = await self._loop.create_server(lambda: SMTP(self._handler), sock=self._socket)
        self._begun.set()
        await self._ended.wait()
        server.close()


class _Mailbox:
    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self._inbox.keep(_from_mail(envelope.content))
        return "250 kept"


def _from_webhook(headers: dict[str, str], body: dict[str, Any], genuine: bool | None) -> Arrival:
    lines = body.get("lines")
    text = lines if isinstance(lines, list) else str(body.get("text", "")).splitlines()
    title = str(body.get("title") or (text[0] if text else ""))
    rest = tuple(str(line) for line in text if str(line) != title)
    return Arrival("phone", headers.get("webhook-id", ""), title, rest, genuine, headers, body)


def _from_mail(content: bytes) -> Arrival:
    mail = message_from_bytes(content, policy=policy.default)
    part = mail.get_body(("plain",))
    text = part.get_content().strip().splitlines() if part is not None else []
    headers = {name.lower(): str(value) for name, value in mail.items()}
    title = str(mail["Subject"] or "")
    return Arrival("mail", str(mail["Message-ID"] or ""), title, tuple(x for x in text if x != title), None, headers)
