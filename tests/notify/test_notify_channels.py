"""What a channel makes of a server's behaviour: accepted, temporary or permanent, and always within its deadline."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from tests.servers.authority import Authority
from tests.servers.mail import MailServer, Refusal
from tests.servers.receiver import Answer, Phone

from dewkeeper.notify.deadline import run_within
from dewkeeper.notify.errors import DeadlinePassed, PermanentFailure, TemporaryFailure
from dewkeeper.notify.mail import Mail
from dewkeeper.notify.trust import trusted_context
from dewkeeper.notify.webhook import Webhook
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import MailChannel, WebhookChannel
from dewkeeper_config.models.secrets import SecretSource

MESSAGE = Message(
    id="7c0e", created=1_790_000_000, person="Marit", channel="phone", title="B4: too dry since 02:10 – refill bowl",
    lines=("B4: too dry since 02:10 (1 h).", "Now: 52 %, limit 55 %."), priority="medium", kind="dry", alarm="a1",
    event="e1", thread="a1", facts={"happening": "raised", "kind": "dry", "since": 1_789_996_400, "enclosure": "B4"},
)  # fmt: skip


def secret(text: str) -> SecretSource:
    """Return a secret that stands in the file."""
    return checked(SecretSource, {"value": text})


def webhook(phone: Phone, **more: Any) -> Webhook:
    """Return a channel to this phone."""
    return Webhook(WebhookChannel(kind="webhook", name="phone", url=secret(phone.url), **more), lambda: 1_790_000_100.0)


def mail(server: MailServer, **more: Any) -> Mail:
    """Return a channel to this mail server."""
    config = MailChannel(
        kind="mail", name="mail", host="localhost", port=server.port, sender="rack@example.org",
        to=["marit@example.org"], **more,
    )  # fmt: skip
    return Mail(config, lambda: 1_790_000_100.0)


def test_a_2xx_answer_is_acceptance(phone: Phone) -> None:
    """A webhook that is answered with 200 is accepted, with title, lines and id in its JSON."""
    phone.usual = Answer(200)
    webhook(phone).send(MESSAGE, 5)
    (call,) = phone.calls
    assert call.id == MESSAGE.id
    assert call.json()["title"] == MESSAGE.title
    assert call.json()["lines"] == list(MESSAGE.lines)
    assert call.json()["data"]["since"] == "2026-09-21T13:13:20Z"


@pytest.mark.parametrize("status", [400, 401, 403, 404, 410, 422])
def test_what_would_be_refused_again_is_permanent(phone: Phone, status: int) -> None:
    """An answer that the same request would get again is a permanent failure that quotes the server."""
    phone.usual = Answer(status, body=b"no such topic")
    with pytest.raises(PermanentFailure, match=f"{status}.*no such topic"):
        webhook(phone).send(MESSAGE, 5)


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_what_may_pass_is_temporary(phone: Phone, status: int) -> None:
    """Overload and server trouble are temporary failures."""
    phone.usual = Answer(status)
    with pytest.raises(TemporaryFailure):
        webhook(phone).send(MESSAGE, 5)


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_refused_and_never_followed(phone: Phone, status: int) -> None:
    """A redirect counts as failure even though a 200 waits behind it, and nothing is sent there."""
    phone.next.append(Answer(status, headers={"Location": phone.url}))
    phone.usual = Answer(200)
    with pytest.raises(PermanentFailure, match="redirect"):
        webhook(phone).send(MESSAGE, 5)
    assert len(phone.calls) == 1


@pytest.mark.parametrize(("given", "seconds"), [("9999999999", 900.0), ("30", 30.0), ("soon", None), ("", None)])
def test_retry_after_is_read_and_clamped(phone: Phone, given: str, seconds: float | None) -> None:
    """What the service asks for is kept within a quarter of an hour; junk is no wish."""
    phone.usual = Answer(429, headers={"Retry-After": given})
    with pytest.raises(TemporaryFailure) as caught:
        webhook(phone).send(MESSAGE, 5)
    assert caught.value.retry_after_seconds == seconds


@pytest.mark.parametrize("manner", ["silent", "trickle"])
def test_the_deadline_bounds_the_whole_attempt(phone: Phone, manner: Any) -> None:
    """A server that says nothing, or a byte now and then, holds an attempt no longer than its total deadline."""
    phone.usual = Answer(200, manner)
    with pytest.raises(DeadlinePassed):
        webhook(phone).send(MESSAGE, 0.3)  # the silent server alone would hold it for ever


def test_a_reset_is_temporary(phone: Phone) -> None:
    """A connection torn down before or after acceptance is a temporary failure."""
    phone.next += [Answer(manner="reset_before"), Answer(manner="reset_after")]
    for _ in range(2):
        with pytest.raises(TemporaryFailure):
            webhook(phone).send(MESSAGE, 5)


def test_a_refused_connection_is_temporary_and_keeps_the_address_secret() -> None:
    """Nobody listening is temporary, and the error does not repeat the address, which may be a secret."""
    with Phone() as gone:
        url = gone.url + "/secret-token"
    channel = Webhook(WebhookChannel(kind="webhook", name="phone", url=secret(url)))
    with pytest.raises(TemporaryFailure) as caught:
        channel.send(MESSAGE, 5)
    assert "secret-token" not in str(caught.value)


def test_https_with_the_named_authority_is_accepted(authority: Authority) -> None:
    """A server whose certificate the configured authority signed is trusted."""
    with Phone(authority.context()) as phone:
        webhook(phone, ca_file=authority.ca_file).send(MESSAGE, 5)
        assert [call.id for call in phone.calls] == [MESSAGE.id]


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_https_with_an_authority_of_the_systems_folder_is_accepted(
    authority: Authority, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Authorities in the system's folder are believed, and none is loaded before it is met."""
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    monkeypatch.setenv("SSL_CERT_DIR", str(tmp_path))
    shutil.copy(authority.ca_file, tmp_path / "ours.pem")
    subprocess.run(["openssl", "rehash", str(tmp_path)], check=True)
    assert not trusted_context(None).get_ca_certs()
    with Phone(authority.context()) as phone:
        webhook(phone).send(MESSAGE, 5)
        assert [call.id for call in phone.calls] == [MESSAGE.id]
    assert len(trusted_context(None).get_ca_certs()) == 1


@pytest.mark.parametrize("flaw", ["expired", "not_yet_valid", "wrong_host", "self_signed"])
def test_a_flawed_certificate_stops_webhook_and_mail(authority: Authority, flaw: Any) -> None:
    """Nothing is sent to a server whose certificate does not hold; it may be put right, so it is temporary."""
    with Phone(authority.context(flaw)) as phone, pytest.raises(TemporaryFailure, match="certificate"):
        webhook(phone, ca_file=authority.ca_file).send(MESSAGE, 5)
    for implicit, security in ((False, "starttls"), (True, "tls")):
        with (
            MailServer(authority.context(flaw), implicit=implicit) as server,
            pytest.raises(TemporaryFailure, match="certificate"),
        ):
            mail(server, security=security, ca_file=authority.ca_file).send(MESSAGE, 5)
        assert phone.calls == []
        assert server.mails == []


def test_an_unknown_authority_is_not_trusted(authority: Authority) -> None:
    """Without the configured authority the same certificate is refused."""
    with Phone(authority.context()) as phone, pytest.raises(TemporaryFailure, match="certificate"):
        webhook(phone).send(MESSAGE, 5)


@pytest.mark.parametrize(("implicit", "security"), [(False, "starttls"), (True, "tls")])
def test_mail_goes_out_over_verified_tls_with_a_login(authority: Authority, implicit: bool, security: str) -> None:
    """STARTTLS and TLS submission with a login deliver one readable mail."""
    with MailServer(authority.context(), ("rack", "pass word"), implicit=implicit) as server:
        mail(
            server, security=security, ca_file=authority.ca_file, username=secret("rack"), password=secret("pass word")
        ).send(MESSAGE, 5)
        (letter,) = server.mails
    assert letter["Subject"] == MESSAGE.title
    assert letter["Message-ID"] == "<7c0e@example.org>"
    assert letter["References"] == letter["In-Reply-To"] == "<alarm-a1@example.org>"
    assert letter["Auto-Submitted"] == "auto-generated"
    plain = letter.get_body(("plain",))
    page = letter.get_body(("html",))
    assert plain is not None
    assert page is not None
    assert MESSAGE.lines[1] in plain.get_content()
    assert MESSAGE.lines[1] in page.get_content()


@pytest.mark.parametrize(
    ("stage", "said", "permanent"),
    [
        ("login", "454 4.7.0 try later", False),
        ("login", "535 5.7.8 no", True),
        ("recipient", "550 5.1.1 nobody", True),
        ("recipient", "451 4.7.1 greylisted", False),
        ("data", "421 4.3.0 closing", False),
        ("data", "554 5.7.1 content", True),
    ],
)
def test_mail_refusals_are_told_apart(authority: Authority, stage: Any, said: str, permanent: bool) -> None:
    """A 4xx answer is temporary and asks for patience, a 5xx answer is permanent; both quote the server."""
    with MailServer(authority.context(), ("rack", "pw")) as server:
        server.usual = Refusal(stage, said)
        with pytest.raises(PermanentFailure if permanent else TemporaryFailure) as caught:
            mail(server, ca_file=authority.ca_file, username=secret("rack"), password=secret("pw")).send(MESSAGE, 5)
    assert said[:3] in str(caught.value)
    assert server.logins == 1
    if isinstance(caught.value, TemporaryFailure):
        assert caught.value.slow


def test_a_silent_mail_server_is_left_at_the_deadline(authority: Authority) -> None:
    """A server that takes the mail and never answers holds the attempt no longer than its deadline."""
    with MailServer(authority.context()) as server:
        server.usual = Refusal("silent")
        with pytest.raises(DeadlinePassed):
            mail(server, ca_file=authority.ca_file).send(MESSAGE, 0.5)


def test_a_server_without_starttls_gets_nothing(authority: Authority) -> None:
    """Where encryption is configured and not offered, neither login nor mail is sent."""
    with MailServer(None, ("rack", "pw")) as server:
        with pytest.raises(PermanentFailure, match="STARTTLS"):
            mail(server, username=secret("rack"), password=secret("pw")).send(MESSAGE, 5)
        assert server.mails == []
        assert server.logins == 0


def test_a_server_that_offers_no_login_is_refused(authority: Authority) -> None:
    """Where a login is configured and none is offered, no mail is sent and the reason is said."""
    with MailServer(authority.context()) as server:
        server.offers_logins = False
        with pytest.raises(PermanentFailure, match="no login offered"):
            mail(server, ca_file=authority.ca_file, username=secret("rack"), password=secret("pw")).send(MESSAGE, 5)
        assert server.mails == []


def test_a_missing_secret_is_said_without_its_content(phone: Phone) -> None:
    """A signing key that is not where the configuration says stops the send and names the place."""
    key = checked(SecretSource, {"env": "DEWKEEPER_TEST_NO_SUCH_KEY"})
    with pytest.raises(PermanentFailure, match="DEWKEEPER_TEST_NO_SUCH_KEY"):
        webhook(phone, secrets=[key]).send(MESSAGE, 5)
    assert phone.calls == []


@pytest.mark.parametrize("value", ["Bearer S3CRET\n# of the phone", "S3CRET\x00", "S3CRET \N{SNAKE}", "\vS3CRET\v"])
def test_a_header_that_cannot_be_sent_is_named_and_its_content_is_not(phone: Phone, value: str) -> None:
    """A credential file of two lines, letters beyond Latin-1: permanent, with the header's name; nothing of it is repeated."""
    channel = webhook(phone, headers={"Authorization": secret(value)})
    for attempt in (
        lambda: channel.send(MESSAGE, 5),
        lambda: run_within("look", lambda guard: channel.check(guard, deep=True), 5),
    ):
        with pytest.raises(PermanentFailure, match="header Authorization") as caught:
            attempt()
        assert "S3CRET" not in str(caught.value)
    assert phone.calls == []


def test_a_password_that_cannot_be_sent_is_said_to_be_that(authority: Authority) -> None:
    """Letters beyond ASCII: permanent, said of the login and not of the mail, and no letter of it is repeated."""
    with MailServer(authority.context(), ("rack", "pässword")) as server:
        with pytest.raises(PermanentFailure, match="name or password") as caught:
            mail(server, ca_file=authority.ca_file, username=secret("rack"), password=secret("pässword")).send(
                MESSAGE, 5
            )
        assert "xe4" not in str(caught.value)
        assert server.logins == 0
