"""The control socket: one JSON request a connection, answered by the daemon's handlers."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import pwd
import socket
import struct
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.service.client import LONGEST_BYTES, SOCKET_NAME

log = logging.getLogger(__name__)

Handler = Callable[[dict[str, Any]], Mapping[str, Any]]

_CONNECTION_SECONDS = 10.0
_PAUSE_SECONDS = 1.0
"""After a connection that could not be taken, for want of descriptors perhaps."""


class ControlSocket:
    """Serves `<folder>/control.sock` to the owner and group of the state folder.

    A request is `{"do": verb, ...}`; the reply is the handler's mapping, or `{"refused": why}`. The name of the
    person is the peer's login name unless the request names one.

    aside: handlers that may take a while. One at a time runs, in a thread of its own, so that nobody who acknowledges an
    alarm waits for one who looks at a year; while it runs others are refused.
    """

    def __init__(
        self, folder: Path, handlers: Mapping[str, Handler], aside: Mapping[str, Handler] | None = None
    ) -> None:
        self._path = folder / SOCKET_NAME
        self._handlers = handlers
        self._aside = aside or {}
        self._answering: threading.Thread | None = None
        self._asides = threading.Lock()  # held while one is made; whoever has heard its answer may ask the next
        self._stopped = threading.Event()
        self._socket: socket.socket | None = None
        self.thread = threading.Thread(target=self._run, name="control", daemon=True)

    def start(self) -> None:
        """Bind and serve. Raises OSError when the folder cannot hold a socket, or another daemon answers on the one there is."""
        if _answers(self._path):
            raise OSError(f"another daemon answers on {self._path}")
        # Nobody answers on it: it was left by one that was killed.
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listener.bind(str(self._path))
            self._path.chmod(0o660)
            listener.listen(8)
        except OSError:
            listener.close()
            raise
        self._socket = listener
        self.thread.start()

    def stop(self) -> None:
        """Stop serving and remove the socket."""
        self._stopped.set()
        if self._socket is None:
            return
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)  # wakes accept() at once
        self.thread.join(5.0)
        if self._answering is not None:
            self._answering.join(5.0)
        self._socket.close()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _run(self) -> None:
        assert self._socket is not None  # noqa: S101  start() sets it before the thread begins
        while not self._stopped.is_set():
            try:
                connection, _ = self._socket.accept()
            except OSError as error:
                if not self._stopped.is_set():  # else stop() shut it down; waiting costs no wakeup
                    log.warning("control: %s", error)
                    self._stopped.wait(_PAUSE_SECONDS)
                continue
            with connection:
                try:
                    self._serve(connection)
                except Exception:
                    log.exception("control: a connection failed")

    def _serve(self, connection: socket.socket) -> None:
        connection.settimeout(_CONNECTION_SECONDS)
        try:
            message = _message(_line(connection))
        except CommandRefused as error:
            _send(connection, {"refused": str(error)})
            return
        except OSError as error:
            log.debug("control: %s", error)
            return
        verb = message.get("do")
        if not isinstance(verb, str) or verb not in self._aside:
            _send(connection, self._answer(verb, message, _login_name(connection)))
        elif not self._asides.acquire(blocking=False):
            _send(connection, {"refused": "busy"})
        else:
            try:
                # A duplicate, for the original is closed as soon as this returns.
                self._answering = threading.Thread(
                    target=self._answer_aside, args=(connection.dup(), verb, message), name="answer", daemon=True
                )
                self._answering.start()
            except BaseException:  # want of descriptors or threads passes; "busy" for ever would not
                self._asides.release()
                raise

    def _answer_aside(self, connection: socket.socket, verb: str, message: dict[str, Any]) -> None:
        with connection:
            connection.settimeout(_CONNECTION_SECONDS)
            try:
                reply = self._carry_out(verb, self._aside[verb], message)
            finally:
                self._asides.release()
            _send(connection, reply)

    def _answer(self, verb: object, message: dict[str, Any], login: str) -> Mapping[str, Any]:
        handler = self._handlers.get(verb) if isinstance(verb, str) else None
        if handler is None:
            return {"refused": f"unknown request {verb!r:.60}; known: {', '.join(sorted(self._handlers))}"}
        message.setdefault("who", login)
        return self._carry_out(str(verb), handler, message)

    def _carry_out(self, verb: str, handler: Handler, message: dict[str, Any]) -> Mapping[str, Any]:
        try:
            return handler(message)
        except CommandRefused as error:
            return {"refused": str(error)}
        except Exception as error:
            log.exception("control: %s failed", verb)
            return {"refused": f"{verb} failed: {error}"}


def _send(connection: socket.socket, reply: Mapping[str, Any]) -> None:
    try:
        connection.sendall(json.dumps(reply, default=str).encode())
    except OSError as error:
        log.debug("control: %s", error)


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(_PAUSE_SECONDS)
        try:
            connection.connect(str(path))
        except OSError:
            return False
    return True


def _message(line: bytes) -> dict[str, Any]:
    """Return the request in a line. Raises CommandRefused for what no program of ours sends."""
    if len(line) > LONGEST_BYTES:
        raise CommandRefused(f"a request is at most {LONGEST_BYTES} bytes long")
    try:
        message = json.loads(line)
    except RecursionError as error:
        raise CommandRefused("the request is nested too deeply") from error
    except ValueError as error:
        raise CommandRefused("the request is not JSON") from error
    if not isinstance(message, dict):
        raise CommandRefused('a request is an object: {"do": VERB, ...}')
    return message


def _line(connection: socket.socket) -> bytes:
    end = time.monotonic() + _CONNECTION_SECONDS  # for all of it: who dribbles keeps the others waiting
    parts = bytearray()
    while len(parts) <= LONGEST_BYTES and not parts.endswith(b"\n"):
        connection.settimeout(max(0.001, end - time.monotonic()))  # 0 would be not to wait at all
        part = connection.recv(65536)
        if not part:
            break
        parts += part
    connection.settimeout(_CONNECTION_SECONDS)
    return bytes(parts)


def _login_name(connection: socket.socket) -> str:
    """Return the login name of the process at the other end (SO_PEERCRED of unix(7))."""
    raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", raw)
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}" if uid != os.getuid() else "keeper"
