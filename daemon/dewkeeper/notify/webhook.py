"""The webhook channel: one POST over a fresh connection, success is 2xx and nothing else."""

from __future__ import annotations

import ssl
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from dewkeeper.notify import signing
from dewkeeper.notify.backoff import retry_after_seconds
from dewkeeper.notify.bodies import Body, check_template, make_body
from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import CertificateRefused, PermanentFailure, TemporaryFailure
from dewkeeper.notify.trust import trusted_context
from dewkeeper.store.records import Message
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import WebhookChannel

if TYPE_CHECKING:
    import requests

_PERMANENT = frozenset({400, 401, 403, 404, 405, 406, 410, 411, 413, 414, 415, 422, 431, 451})
"""Answers that the same request would get again. 408, 425, 429 and every 5xx are worth another attempt."""
_ANSWER_BYTES = 300


class Webhook(Channel):
    """Posts to the address of a `WebhookChannel`. Address, keys and headers are read at each attempt.

    wall: UTC seconds, for the timestamp of the signature. Raises ChannelUnusable for a template with unknown fields.
    """

    can_be_checked = True

    def __init__(self, config: WebhookChannel, wall: Callable[[], float] = time.time) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self._config = config
        self._wall = wall
        if config.template is not None:
            check_template(config.template)

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """POST once. Redirects are refused: a "200" behind one may be a login page."""
        try:
            url = self._config.url.read()
            secrets = [secret.read() for secret in self._config.secrets]
            extra = self._extra()
            body = make_body(self._config, message)
            signed = signing.headers(secrets, message.id, int(self._wall()), body.content)
        except (SecretUnavailable, ValueError, OSError) as error:
            raise PermanentFailure(f"not sent: {error}") from error
        return self._ask(guard, "POST", url, _headers(body, extra, signed), body.content)

    def _extra(self) -> dict[str, str]:
        return {name: _fit(name, secret.read()) for name, secret in self._config.headers.items()}

    def check(self, guard: Guard, *, deep: bool) -> None:
        """Connect, over verified TLS where the address says so; if deep, ask with OPTIONS, which does nothing (RFC 9110, 9.3.7)."""
        try:
            url = self._config.url.read()
            extra = self._extra()
        except (SecretUnavailable, ValueError, OSError) as error:
            raise PermanentFailure(f"not sent: {error}") from error
        if deep:
            self._ask(guard, "OPTIONS", url, {"User-Agent": "dewkeeper", "Connection": "close", **extra}, None)
            return
        try:
            address = urlsplit(url)
            host, secure = address.hostname or "", address.scheme == "https"
            port = address.port or (443 if secure else 80)
            with guard.connect(host, port) as connection:
                if secure:
                    trusted_context(self._config.ca_file).wrap_socket(connection, server_hostname=host).close()
        except ssl.SSLCertVerificationError as error:
            raise CertificateRefused(f"certificate: {error.verify_message}") from error
        except (OSError, ValueError) as error:
            if not isinstance(error, TemporaryFailure):
                # As in `mail`: raises where it was the deadline that ended the connection.
                guard.remaining()
                raise TemporaryFailure(
                    f"connection: {getattr(error, 'strerror', None) or type(error).__name__}"
                ) from error
            raise

    def _ask(self, guard: Guard, method: str, url: str, headers: Mapping[str, str], content: bytes | None) -> Receipt:
        import requests

        try:
            with session(guard, self._config.ca_file) as http:
                answer = http.request(
                    method,
                    url,
                    data=content,
                    headers=headers,
                    allow_redirects=False,
                    stream=True,  # an answer may be endless: only its beginning is read
                    timeout=guard.remaining(),
                )
                return _judge(answer, self._wall())
        except requests.exceptions.RequestException as error:
            guard.remaining()
            raise _translated(error) from error
        except OSError as error:
            if isinstance(error, TemporaryFailure):
                raise
            raise TemporaryFailure(f"connection: {error}") from error
        except AttributeError as error:
            # urllib3 2 meets a connection that is torn down while it still writes with a missing socket.
            raise TemporaryFailure("connection torn down") from error


def session(guard: Guard, ca_file: Path | None) -> requests.Session:
    """Return a fresh session whose connections are made and watched by the guard.

    Nothing is taken from the environment, and nothing is pooled: a kept connection that the other side dropped
    fails just when it is needed.
    """
    import requests
    from requests.adapters import HTTPAdapter
    from urllib3 import HTTPConnectionPool, HTTPSConnectionPool, PoolManager
    from urllib3.connection import HTTPConnection, HTTPSConnection

    class GuardedHTTP(HTTPConnection):
        def _new_conn(self) -> Any:
            return guard.connect(self._dns_host, self.port or 80)

    class GuardedHTTPS(HTTPSConnection):
        def _new_conn(self) -> Any:
            return guard.connect(self._dns_host, self.port or 443)

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = GuardedHTTP

    class SecurePool(HTTPSConnectionPool):
        ConnectionCls = GuardedHTTPS

    class Adapter(HTTPAdapter):
        def init_poolmanager(self, connections: int, maxsize: int, block: bool = False, **more: Any) -> None:
            self.poolmanager = PoolManager(
                num_pools=connections, maxsize=maxsize, block=block, ssl_context=trusted_context(ca_file)
            )
            self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}

        def cert_verify(self, conn: Any, url: str, verify: Any, cert: Any) -> None:
            # The context has its authorities; requests would load them again for every connection.
            conn.cert_reqs = "CERT_REQUIRED"

    made = requests.Session()
    made.trust_env = False
    adapter = Adapter(pool_connections=1, pool_maxsize=1, max_retries=0)  # the outbox tries again, and counts
    made.mount("http://", adapter)
    made.mount("https://", adapter)
    return made


def _headers(body: Body, extra: Mapping[str, str], signed: Mapping[str, str]) -> dict[str, str]:
    return {
        "User-Agent": "dewkeeper",
        "Content-Type": body.content_type,
        "Connection": "close",
        **extra,
        # Last: none of the keeper's takes its place.
        **signed,
    }


def _fit(name: str, value: str) -> str:
    """Return the value of a header. Raises ValueError, without the value: it is a secret, and what refuses it later repeats it.

    One line (RFC 9110, 5.5) in Latin-1, which is what Python's client writes.
    """
    if not value.isprintable() or value != value.strip() or any(ord(letter) > 0xFF for letter in value):
        raise ValueError(f"the header {name} holds a line break, space at an end or a letter that no header can carry")
    return value


def _judge(answer: requests.Response, now: float) -> Receipt:
    status = answer.status_code
    if 200 <= status < 300:
        return Receipt(str(status))
    if 300 <= status < 400:
        raise PermanentFailure(f"redirect {status} refused: give the final address")
    try:
        said = next(answer.iter_content(_ANSWER_BYTES), b"").decode("utf-8", "replace").strip()
    except (OSError, ValueError):  # requests' own errors are OSErrors
        said = ""
    why = " ".join(f"HTTP {status} {answer.reason or ''} {said}".split())[:200]
    if status in _PERMANENT:
        raise PermanentFailure(why)
    raise TemporaryFailure(why, retry_after_seconds(answer.headers.get("Retry-After"), now))


def _translated(error: requests.exceptions.RequestException) -> TemporaryFailure | PermanentFailure:
    import requests

    if isinstance(
        error, requests.exceptions.InvalidURL | requests.exceptions.MissingSchema | requests.exceptions.InvalidSchema
    ):
        return PermanentFailure("the address is not a web address")
    # The text of requests repeats the whole address, which may be a secret in itself: the innermost cause says enough.
    cause: BaseException = error
    while (deeper := _deeper(cause)) is not None:
        cause = deeper
    if isinstance(cause, ssl.SSLCertVerificationError):
        return CertificateRefused(f"certificate: {cause.verify_message}")
    return TemporaryFailure(f"{type(cause).__name__}: {_without_address(cause)}"[:200])


def _deeper(error: BaseException) -> BaseException | None:
    reason = getattr(error, "reason", None)
    if isinstance(reason, BaseException):
        return reason
    for argument in error.args:
        if isinstance(argument, BaseException):
            return argument
    return error.__cause__ or error.__context__


def _without_address(error: BaseException) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return text if "://" not in text else "the connection failed"
