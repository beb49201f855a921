"""Every channel is held to the same contract, by the suite that is shipped, against a real server on loopback."""

from __future__ import annotations

import socket
import time
from collections.abc import Sequence
from typing import Any

import pytest
from tests.servers.authority import Authority
from tests.servers.mail import MailServer, Refusal
from tests.servers.receiver import Answer, Phone

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.channels import open_channel
from dewkeeper.notify.contract_suite import ChannelBroken, Manner, check_channel
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import PermanentFailure, TemporaryFailure
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import ChannelConfig, MailChannel, WebhookChannel
from dewkeeper_config.models.secrets import SecretSource

WEB_MANNERS = {"accept": Answer(), "fail": Answer(503), "refuse": Answer(410), "hang": Answer(manner="silent")}
MAIL_MANNERS = {
    "accept": None,
    "fail": Refusal("recipient", "451 4.7.1 later"),
    "refuse": Refusal("data", "554 5.7.1 no"),
    "hang": Refusal("silent"),
}


def secret(text: str) -> SecretSource:
    """Return a secret that stands in the file."""
    return checked(SecretSource, {"value": text})


class WebService:
    """A web hook, or what the optional library takes for one."""

    def __init__(self, phone: Phone) -> None:
        self._phone = phone
        self.hidden: Sequence[str] = (phone.url, "/hook")

    def behave(self, manner: Manner) -> None:
        if manner == "gone":
            self._phone.refuse()
        else:
            self._phone.usual = WEB_MANNERS[manner]

    def taken(self) -> Sequence[str]:
        bodies = [call.json() for call in self._phone.calls if call.accepted]
        return ["\n".join([body["title"], body.get("message", ""), *body.get("lines", ())]) for body in bodies]


class MailService:
    """A submission server. What it takes and then keeps silent about was taken, and nobody knows."""

    def __init__(self, server: MailServer) -> None:
        self._server = server
        self.hidden: Sequence[str] = ("pass word",)

    def behave(self, manner: Manner) -> None:
        if manner == "gone":
            self._server.__exit__(None, None, None)
        else:
            self._server.usual = MAIL_MANNERS[manner]

    def taken(self) -> Sequence[str]:
        plain = [(mail["Subject"], mail.get_body(("plain",))) for mail in self._server.mails]
        return [f"{title}\n{body.get_content()}" for title, body in plain if body is not None]


def check(config: ChannelConfig, service: Any, **more: Any) -> None:
    """Hold the channel of a configuration to the contract."""
    check_channel(lambda: open_channel(config, time.time), service, **more)


@pytest.mark.parametrize("body", ["json", "secured"])
def test_the_webhook_keeps_the_contract(authority: Authority, body: str) -> None:
    """A webhook passes the suite, over plain HTTP and over TLS."""
    secured = body == "secured"
    with Phone(authority.context() if secured else None) as phone:
        ca_file = authority.ca_file if secured else None
        check(WebhookChannel(kind="webhook", name="phone", url=secret(phone.url), ca_file=ca_file), WebService(phone))


def test_mail_keeps_the_contract(authority: Authority) -> None:
    """Mail with STARTTLS and a login passes the suite."""
    server = MailServer(authority.context(), ("rack", "pass word")).__enter__()
    config = MailChannel(
        kind="mail", name="mail", host="localhost", port=server.port, sender="rack@example.org",
        to=["marit@example.org"], ca_file=authority.ca_file, username=secret("rack"), password=secret("pass word"),
    )  # fmt: skip
    check(config, MailService(server))


class Bad(Channel):
    """A channel to the phone's service with one thing wrong."""

    name = "bad"
    timeout_seconds = 5.0

    def __init__(self, service: WebService, phone: Phone, wrong: str) -> None:
        config = WebhookChannel(kind="webhook", name="bad", url=secret(phone.url))
        self._good = open_channel(config, time.time)
        self._phone = phone
        self._wrong = wrong
        if wrong == "nameless":
            self.name = ""
        self.can_be_checked = wrong == "checks by sending"

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        try:
            receipt = self._good.attempt(message, guard)
            if self._wrong == "sends twice":
                receipt = self._good.attempt(message, guard)
        except TemporaryFailure as error:
            match self._wrong:
                case "says yes to everything":
                    return Receipt("yes")
                case "raises what it likes":
                    raise RuntimeError("oh") from error
                case "gives up for good":
                    raise PermanentFailure(str(error)) from error
                case "tells the address":
                    raise TemporaryFailure(f"{self._phone.url}: {error}") from error
            raise
        return None if self._wrong == "no receipt" else receipt  # type: ignore[return-value]  # that is what is wrong

    def check(self, guard: Guard, *, deep: bool) -> None:
        if self._wrong == "checks by sending":
            self._good.attempt(Message("m", 0, "", "", "test", (), "low", "test"), guard)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("nameless", "name is ''"),
        ("no receipt", "not Receipt"),
        ("sends twice", "1 accepted, 2 arrived"),
        ("says yes to everything", "came to"),
        ("raises what it likes", "no SendFailure"),
        ("gives up for good", "not TemporaryFailure"),
        ("tells the address", "gave away"),
        ("checks by sending", r"check\(\) sent"),
    ],
)
def test_the_suite_catches_a_bad_channel(phone: Phone, wrong: str, said: str) -> None:
    """The suite names what is wrong with a channel that breaks its contract."""
    service = WebService(phone)
    with pytest.raises(ChannelBroken, match=said):
        check_channel(lambda: Bad(service, phone, wrong), service)


def test_the_suite_catches_a_connection_that_outlives_its_deadline(phone: Phone) -> None:
    """A connection that the guard did not make holds its thread after the deadline, and the suite says so."""
    service = WebService(phone)

    class OwnConnection(Bad):
        def attempt(self, message: Message, guard: Guard) -> Receipt:
            if phone.usual.manner == "silent":
                with socket.create_connection(("127.0.0.1", phone.port)) as connection:
                    connection.recv(1)  # until the phone goes
            return super().attempt(message, guard)

    with pytest.raises(ChannelBroken, match=r"guard\.connect"):
        check_channel(lambda: OwnConnection(service, phone, ""), service, patience_seconds=0.5)
