"""A submission server with STARTTLS or TLS and logins, which refuses as it is told. The protocol is aiosmtpd's."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from types import TracebackType
from typing import Any, Literal

from aiosmtpd.smtp import SMTP, AuthResult

Stage = Literal["login", "recipient", "data", "silent"]


@dataclass(frozen=True, slots=True)
class Refusal:
    """At which stage a session fails and what is said; `silent`: nothing is said after the data, which are taken."""

    stage: Stage
    said: str = ""


class MailServer:
    """Listens on a free loopback port while entered.

    context: offers STARTTLS with it, or serves TLS from the start if `implicit`. login: name and password demanded.
    next: refusals for the next sessions (None for a good one), then `usual`; `choose`, if given, decides instead.
    choose_context, if given, decides for each session which certificate is shown at STARTTLS. refuses: recipients that are
    refused while others are taken, and what is said.
    """

    def __init__(
        self,
        context: ssl.SSLContext | None = None,
        login: tuple[str, str] | None = None,
        *,
        implicit: bool = False,
    ) -> None:
        self.next: deque[Refusal | None] = deque()
        self.usual: Refusal | None = None
        self.choose: Callable[[], Refusal | None] | None = None
        self.choose_context: Callable[[], ssl.SSLContext] | None = None
        self.refuses: dict[str, str] = {}
        self.offers_logins = True
        self.sessions = 0
        self.logins = 0
        self._context = context
        self._implicit = implicit
        self._login = login
        self._mails: list[EmailMessage] = []
        self._changed = threading.Condition()
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self._begun = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended: asyncio.Event | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), name="mail server")

    @property
    def mails(self) -> list[EmailMessage]:
        """Every mail taken, in order."""
        with self._changed:
            return list(self._mails)

    def take(self) -> list[EmailMessage]:
        """Return every mail taken, in order, and forget it."""
        with self._changed:
            taken, self._mails = self._mails, []
            return taken

    def wait(self, count: int, patience_seconds: float = 20.0) -> list[EmailMessage]:
        """Return the mails once there are so many. Raises TimeoutError."""
        with self._changed:
            if not self._changed.wait_for(lambda: len(self._mails) >= count, patience_seconds):
                raise TimeoutError(f"{len(self._mails)} of {count} mails came")
            return list(self._mails)

    def __enter__(self) -> MailServer:
        self._thread.start()
        self._begun.wait()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._loop is not None  # entered before
        assert self._ended is not None
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()

    async def _serve(self) -> None:
        self._loop, self._ended = asyncio.get_running_loop(), asyncio.Event()
        server = await self._loop.create_server(
            self._session, sock=self._socket, ssl=self._context if self._implicit else None
        )
        self._begun.set()
        await self._ended.wait()
        server.close()
        for task in asyncio.all_tasks():
            if task is not asyncio.current_task():
                task.cancel()
        await asyncio.sleep(0)

    def _session(self) -> SMTP:
        self.sessions += 1
        refusal = self.choose() if self.choose is not None else self.next.popleft() if self.next else self.usual
        context = self._context if self.choose_context is None else self.choose_context()
        starttls = context is not None and not self._implicit
        return SMTP(
            _Handler(self, refusal),
            hostname="mail.invalid",
            tls_context=None if self._implicit else context,
            require_starttls=starttls,
            # The protocol does not know that a connection is encrypted from its start, so there it only offers logins.
            auth_required=self._login is not None and starttls,
            auth_require_tls=starttls,
            authenticator=self._authenticator(refusal),
            auth_exclude_mechanism=() if self.offers_logins else ("PLAIN", "LOGIN"),
        )

    def _authenticator(self, refusal: Refusal | None) -> Any:
        def authenticate(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
            self.logins += 1
            if refusal is not None and refusal.stage == "login":
                return AuthResult(success=False, handled=False, message=refusal.said)
            good = self._login is not None and (data.login, data.password) == tuple(p.encode() for p in self._login)
            return AuthResult(success=good, handled=False)

        return authenticate

    def keep(self, content: bytes) -> None:
        """Take in one mail."""
        mail = message_from_bytes(content, policy=policy.default)
        with self._changed:
            self._mails.append(mail)
            self._changed.notify_all()


class _Handler:
    def __init__(self, server: MailServer, refusal: Refusal | None) -> None:
        self._server = server
        self._refusal = refusal

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if self._refusal is not None and self._refusal.stage == "recipient":
            return self._refusal.said
        if address in self._server.refuses:
            return self._server.refuses[address]
        envelope.rcpt_tos.append(address)
        return "250 good"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self._refusal is not None and self._refusal.stage == "data":
            return self._refusal.said
        self._server.keep(envelope.content)
        if self._refusal is not None and self._refusal.stage == "silent":
            await asyncio.sleep(3600)
        return "250 kept"
