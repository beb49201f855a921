"""The mail channel: submission over verified TLS, one thread per alarm."""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from collections.abc import Callable, Iterator

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import CertificateRefused, DeadlinePassed, PermanentFailure, TemporaryFailure
from dewkeeper.notify.letters import letter
from dewkeeper.notify.trust import trusted_context
from dewkeeper.store.records import Message
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import MailChannel


class Mail(Channel):
    """Sends through the submission server of a `MailChannel`. Login and password are read at each attempt.

    wall: UTC seconds, for the Date header.
    """

    can_be_checked = True

    def __init__(self, config: MailChannel, wall: Callable[[], float]) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self.per_hour = config.per_hour
        self.many_recipients = len(config.to) > 1
        self._config = config
        self._wall = wall

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Submit once. A 4xx answer and a broken connection are temporary, a 5xx answer is permanent."""
        config = self._config
        mail = letter(message, config.sender, config.to, self._wall())
        with self._session(guard, log_in=True) as smtp:
            refused = smtp.send_message(mail, config.sender, config.to)
        if refused:
            # Somebody has it: trying again would send it to them twice. Who has not is named, in a message of its own.
            return Receipt("accepted, but not for all", "; ".join(_refusal(to, *refused[to]) for to in sorted(refused)))
        return Receipt("accepted")

    def check(self, guard: Guard, *, deep: bool) -> None:
        """Greet over verified TLS; log in only if deep, for providers count logins."""
        with self._session(guard, log_in=deep):
            pass

    @contextlib.contextmanager
    def _session(self, guard: Guard, *, log_in: bool) -> Iterator[_Submission]:
        """Give a session that has greeted; whatever goes wrong in it becomes a failure of ours."""
        config = self._config
        try:
            login = None
            if log_in and config.username is not None and config.password is not None:
                login = (config.username.read(), config.password.read())
            context = None if config.security == "none" else trusted_context(config.ca_file)
        except (SecretUnavailable, ValueError, OSError) as error:
            raise PermanentFailure(f"not sent: {error}") from error
        smtp = _Submission(guard, context if config.security == "tls" else None)
        try:
            smtp.open(config.host, config.port)
            if config.security == "starttls" and context is not None:
                smtp.starttls(context=context)
                smtp.ehlo()
            if login is not None:
                smtp.log_in(*login)
            yield smtp
            with contextlib.suppress(smtplib.SMTPException, OSError):
                smtp.putcmd("quit")  # without waiting: the mail is accepted, and a lost goodbye must not send it twice
        except (smtplib.SMTPException, OSError, ValueError) as error:
            if not isinstance(error, DeadlinePassed):
                # Raises where the deadline shut the connection down: that is the true cause, not the broken connection.
                guard.remaining()
            raise _translated(error) from error
        finally:
            smtp.close()


class _Submission(smtplib.SMTP):
    """smtplib's client over a connection that the guard makes and watches."""

    def __init__(self, guard: Guard, context: ssl.SSLContext | None) -> None:
        self._guard = guard
        self._context = context
        # Without a name smtplib would look this machine's up, and wait for a name server.
        super().__init__(local_hostname="dewkeeper.invalid", timeout=guard.remaining())

    def open(self, host: str, port: int) -> None:
        # starttls() checks the certificate against the name given here.
        self._host = host
        code, said = self.connect(host, port)
        if code != 220:
            raise smtplib.SMTPConnectError(code, said)
        self.ehlo_or_helo_if_needed()

    def log_in(self, user: str, password: str) -> None:
        """Log in once, by one mechanism: smtplib's own `login` tries every one offered, and providers count attempts."""
        offered = self.esmtp_features.get("auth", "").upper().split()
        if not (user + password).isascii():  # smtplib writes nothing else, and its error would name a letter of it
            raise smtplib.SMTPNotSupportedError("name or password holds letters beyond ASCII, which cannot be sent")
        self.user, self.password = user, password
        if "PLAIN" in offered:
            self.auth("PLAIN", self.auth_plain)
        elif "LOGIN" in offered:
            self.auth("LOGIN", self.auth_login)
        else:
            raise smtplib.SMTPNotSupportedError(f"no login offered that is known here: {' '.join(offered) or 'none'}")

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        connection = self._guard.connect(host, port)
        if self._context is None:
            return connection
        try:
            return self._context.wrap_socket(connection, server_hostname=host)
        except BaseException:
            connection.close()
            raise


def _translated(error: Exception) -> TemporaryFailure | PermanentFailure:
    if isinstance(error, DeadlinePassed):
        return error
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        # One recipient that may work later is reason enough to come back.
        codes = {address: answer[0] for address, answer in error.recipients.items()}
        why = "; ".join(f"{code} for {address}" for address, code in sorted(codes.items()))
        return _by_code(min(codes.values()), why)
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        return _by_code(error.smtp_code, f"{error.smtp_code} {' '.join(text.split())}")
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return PermanentFailure(str(error)[:200])
    if isinstance(error, ssl.SSLCertVerificationError):
        return CertificateRefused(f"certificate: {error.verify_message}")
    if isinstance(error, ValueError) and not isinstance(error, OSError):
        return PermanentFailure(f"the mail cannot be written: {error}"[:200])
    return TemporaryFailure(f"{type(error).__name__}: {getattr(error, 'strerror', None) or error}"[:200])


def _refusal(address: str, code: int, said: bytes) -> str:
    return f"{address} ({code} {' '.join(said.decode('utf-8', 'replace').split())})"[:200]


def _by_code(code: int, why: str) -> TemporaryFailure | PermanentFailure:
    if 500 <= code < 600:
        return PermanentFailure(why[:200])
    # Many providers count what they turned away: they are asked more rarely.
    return TemporaryFailure(why[:200], slow=400 <= code < 500)
