"""Acknowledge links: signed, expiring, good for one alarm and one person.

The page shows a button and takes a POST; opening the link alone changes nothing, for mail scanners open everything.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from dataclasses import dataclass

from dewkeeper.notify.errors import LinkRefused

NOTE_KEY = "link_key"
"""Name of the note that keeps the key over restarts."""
GOOD_SECONDS = 7 * 86400
GROUP = "group/"
"""What a link's `alarm` begins with when it stands for all that one message spoke of; then follows the group's key."""
_TAG_BYTES = 16  # half of the hash, the least that RFC 2104, section 5, recommends: a link stays short


@dataclass(frozen=True, slots=True)
class Link:
    """What a genuine link says: who may acknowledge which alarm, group of alarms, or path test, until when."""

    alarm: str
    who: str
    expires: int


def new_key() -> str:
    """Return a fresh key to keep under NOTE_KEY."""
    return secrets.token_hex(32)


def make(key: str, alarm: str, who: str, expires: int) -> str:
    """Return the token for `/ack/<token>`. expires: UTC seconds."""
    content = json.dumps([alarm, who, expires], separators=(",", ":"), ensure_ascii=False).encode()
    return _text(content) + "." + _text(_tag(key, content))


def verify(key: str, token: str, now: float) -> Link:
    """Return what a token says. Raises LinkRefused if it is not ours, was changed, or is older than its end."""
    body, _, tag = token.partition(".")
    try:
        content = _bytes(body)
        genuine = hmac.compare_digest(_bytes(tag), _tag(key, content))
    except (ValueError, binascii.Error) as error:
        raise LinkRefused("this link is damaged") from error
    if not genuine:
        raise LinkRefused("this link is not genuine")
    # Only what is genuine is read: it is what `make` wrote.
    alarm, who, expires = json.loads(content)
    if now > expires:
        raise LinkRefused("this link has expired")
    return Link(alarm, who, expires)


def _tag(key: str, content: bytes) -> bytes:
    # With what it is for: whatever else this key should ever sign, none of it is a link.
    return hmac.new(key.encode(), b"dewkeeper ack 1." + content, hashlib.sha256).digest()[:_TAG_BYTES]


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
