"""The demo's inbox receives over real sockets."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import smtplib
from email.message import EmailMessage

import requests

from dewkeeper_demo.inbox import Inbox

SECRET = "whsec_" + base64.b64encode(b"an invented key of some length!!").decode()


def _signed(body: bytes, identity: str, stamp: str) -> dict[str, str]:
    key = base64.b64decode(SECRET.removeprefix("whsec_"))
    digest = hmac.new(key, f"{identity}.{stamp}.".encode() + body, hashlib.sha256).digest()
    return {
        "webhook-id": identity,
        "webhook-timestamp": stamp,
        "webhook-signature": "v1," + base64.b64encode(digest).decode(),
    }


def test_a_signed_webhook_is_kept_and_found_genuine() -> None:
    """A POST signed as Standard Webhooks says is kept with title, lines and a good signature."""
    body = json.dumps({"title": "A2 dry", "lines": ["A2 dry", "48 %RH for 1 h"]}).encode()
    with Inbox(secret=SECRET) as inbox:
        answer = requests.post(
            f"http://127.0.0.1:{inbox.http_port}/phone",
            data=body,
            headers=_signed(body, "m1", "1790000000"),
            timeout=60,
        )
    (arrival,) = inbox.arrivals
    assert answer.status_code == 204
    assert (arrival.device, arrival.id, arrival.title, arrival.lines) == ("phone", "m1", "A2 dry", ("48 %RH for 1 h",))
    assert arrival.genuine is True


def test_a_changed_body_is_found_out() -> None:
    """A body altered after signing is kept and marked as not genuine."""
    with Inbox(secret=SECRET) as inbox:
        headers = _signed(b'{"title": "calm"}', "m2", "1790000000")
        requests.post(f"http://127.0.0.1:{inbox.http_port}/", data=b'{"title": "fire"}', headers=headers, timeout=60)
    assert inbox.arrivals[0].genuine is False


def test_plain_text_is_read_by_its_lines() -> None:
    """A text body shows its first line as the title."""
    with Inbox() as inbox:
        requests.post(f"http://127.0.0.1:{inbox.http_port}/", data="B3 hot\n36 °C".encode(), timeout=60)
    assert (inbox.arrivals[0].title, inbox.arrivals[0].lines) == ("B3 hot", ("36 °C",))


def test_mail_arrives_with_subject_and_body() -> None:
    """A mail over real SMTP is kept: subject as title, text as lines, headers beside."""
    mail = EmailMessage()
    mail["Subject"] = "B3 hot – 36 °C"
    mail["From"], mail["To"], mail["Message-ID"] = "rack@example.com", "ode@example.com", "<1@example.com>"
    mail.set_content("Switch the heater off at the plug.\nMove the snake.\n")
    seen: list[str] = []
    with Inbox(lambda arrival: seen.append(arrival.title)) as inbox, smtplib.SMTP("127.0.0.1", inbox.smtp_port) as smtp:
        smtp.send_message(mail)
    (arrival,) = inbox.arrivals
    assert (arrival.device, arrival.id) == ("mail", "<1@example.com>")
    assert arrival.title == "B3 hot – 36 °C"
    assert arrival.lines == ("Switch the heater off at the plug.", "Move the snake.")
    assert seen == [arrival.title]
