"""Signatures, bodies, waits and links: pure functions against published values and against nonsense."""

from __future__ import annotations

import base64
import contextlib
import json
from dataclasses import replace
from email.utils import formatdate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.notify import backoff, bodies, links, signing
from dewkeeper.notify.errors import ChannelUnusable, LinkRefused
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import WebhookChannel

MESSAGE = Message(
    "m1", 1_790_000_000, "Marit", "phone", 'B4: too dry since 02:10 – "refill"', ("one", "two"), "medium", "dry",
    alarm="a1", event="e1", facts={"happening": "raised", "kind": "dry", "since": 1_789_996_400, "enclosure": "B4"},
)  # fmt: skip


def test_signature_of_the_published_vector() -> None:
    """The example of the Standard Webhooks reference libraries is signed as they sign it.

    Source: github.com/standard-webhooks/standard-webhooks, libraries/javascript/src/webhook.test.ts, "sign function
    works".
    """
    made = signing.headers(
        ["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"], "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}'
    )
    assert made == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


def test_two_keys_sign_side_by_side_while_they_are_exchanged() -> None:
    """With two keys the header holds both signatures, separated by a space, as the specification describes rotation."""
    old, new = (signing.PREFIX + base64.b64encode(bytes([n]) * 32).decode() for n in (1, 2))
    both = signing.headers([old, new], "m", 1, b"x")["webhook-signature"].split(" ")
    assert both == [signing.headers([key], "m", 1, b"x")["webhook-signature"] for key in (old, new)]


def test_without_a_key_there_is_no_signature() -> None:
    """Id and time are always there, a signature only with a key."""
    assert set(signing.headers([], "m", 1, b"")) == {"webhook-id", "webhook-timestamp"}


@pytest.mark.parametrize("secret", ["whsec_", "whsec_!!", "not base64 at all"])
def test_a_damaged_key_is_refused(secret: str) -> None:
    """A key that is not base64 is an error, not a weak signature."""
    with pytest.raises(ValueError, match="signing key"):
        signing.key_bytes(secret)


@given(st.text(min_size=1), st.integers(1, 200), st.booleans())
def test_waits_grow_are_bounded_and_repeatable(message: str, attempt: int, slow: bool) -> None:
    """Every wait is the same whenever it is asked, between half and the whole of its step, and at most 90 s (270 s)."""
    wait = backoff.delay_seconds(message, attempt, slow=slow)
    step = min(90.0, 4.0 * 2.0 ** min(attempt - 1, 16)) * (3 if slow else 1)
    assert wait == backoff.delay_seconds(message, attempt, slow=slow)
    assert step / 2 <= wait <= step


def test_waits_of_many_messages_spread() -> None:
    """A hundred messages that failed together do not come back together."""
    assert len({round(backoff.delay_seconds(f"m{n}", 6)) for n in range(100)}) > 20


def test_retry_after_with_a_date() -> None:
    """The HTTP date form (RFC 9110, 10.2.3) is read; past dates mean now, far ones are clamped."""
    now = 1_790_000_000.0
    assert backoff.retry_after_seconds(formatdate(now + 120, usegmt=True), now) == 120
    assert backoff.retry_after_seconds(formatdate(now - 120, usegmt=True), now) == 1
    assert backoff.retry_after_seconds(formatdate(now + 10**8, usegmt=True), now) == 900


@given(st.none() | st.text())
def test_no_retry_after_is_too_strange(value: str | None) -> None:
    """Junk gives nothing or a clamped number, never an error."""
    wait = backoff.retry_after_seconds(value, 1_790_000_000.0)
    assert wait is None or 1 <= wait <= 900


def _channel(**more: object) -> WebhookChannel:
    return checked(WebhookChannel, {"kind": "webhook", "name": "phone", "url": "http://localhost/", **more})


def test_a_plain_text_body_is_title_and_lines() -> None:
    """Worked example for a push endpoint that wants text: `body = "text"`."""
    body = bodies.make_body(_channel(body="text"), MESSAGE)
    assert body.content.decode() == 'B4: too dry since 02:10 – "refill"\none\ntwo'
    assert body.content_type == "text/plain; charset=utf-8"


def test_a_json_template_escapes_its_fields() -> None:
    """Worked example for a chat endpoint: braces doubled, fields escaped so that quotes and line ends stay JSON."""
    channel = _channel(
        body="template",
        content_type="application/json",
        template='{{"content": "{title}\\n{text}", "user": "{person}"}}',
    )
    body = bodies.make_body(channel, MESSAGE)
    assert json.loads(body.content) == {"content": f"{MESSAGE.title}\none\ntwo", "user": "Marit"}


@pytest.mark.parametrize("template", ["{titel}", "{title.__class__}", "{title!r}", "{title:>10}", "{}", "{0}"])
def test_a_template_with_anything_but_plain_fields_is_refused(template: str) -> None:
    """Unknown fields, attributes, conversions and formats are refused when the channel is set up, not at night."""
    with pytest.raises(ChannelUnusable, match="not among"):
        bodies.check_template(template)


@given(st.text(), st.text())
def test_any_text_stays_valid_json_in_a_template(title: str, line: str) -> None:
    """Whatever stands in a message, a JSON template filled with it is JSON that says the same."""
    message = replace(MESSAGE, title=title, lines=(line,))
    filled = bodies.fill('{{"a": "{title}", "b": "{text}"}}', bodies.fields(message), as_json=True)
    assert json.loads(filled) == {"a": title, "b": line}


KEY = links.new_key()


def test_an_acknowledge_link_says_who_and_what_until_when() -> None:
    """A genuine link is read back as it was made, and refused after its end."""
    token = links.make(KEY, "alarm-1", "Märit", 2000)
    assert links.verify(KEY, token, 2000) == links.Link("alarm-1", "Märit", 2000)
    with pytest.raises(LinkRefused, match="expired"):
        links.verify(KEY, token, 2001)


def test_a_link_of_another_key_is_refused() -> None:
    """A link made with another key is not genuine."""
    with pytest.raises(LinkRefused):
        links.verify(links.new_key(), links.make(KEY, "a", "b", 2000), 1)


@given(st.data())
def test_no_changed_link_passes(data: st.DataObject) -> None:
    """One changed character anywhere makes a link worthless."""
    token = links.make(KEY, "alarm-1", "Marit", 2000)
    place = data.draw(st.integers(0, len(token) - 1))
    other = data.draw(st.sampled_from([c for c in "abcXYZ019-_.=%" if c != token[place]]))
    changed = token[:place] + other + token[place + 1 :]
    with contextlib.suppress(LinkRefused):
        assert links.verify(KEY, changed, 1) == links.verify(KEY, token, 1)  # unused bits of base64 mean nothing


@given(st.text())
def test_no_text_is_mistaken_for_a_link(token: str) -> None:
    """Nonsense is refused, never an error of another kind."""
    with pytest.raises(LinkRefused):
        links.verify(KEY, token, 1)
