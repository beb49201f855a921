"""Signatures of webhooks, as the public Standard Webhooks specification describes them (scheme v1: HMAC-SHA256)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Mapping, Sequence

PREFIX = "whsec_"


def key_bytes(secret: str) -> bytes:
    """Return the key of a `whsec_...` secret. Raises ValueError if it is not base64, or empty."""
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("a signing key is `whsec_` and base64") from error
    if not key:
        raise ValueError("a signing key is `whsec_` and base64")
    return key


def headers(secrets: Sequence[str], identity: str, timestamp: int, body: bytes) -> dict[str, str]:
    """Return the headers of one attempt: id, time and, if there are keys, one signature per key.

    While a key is rotated both sign, so a receiver that knows either is content. timestamp: UTC seconds of this
    attempt, not of the event, for receivers refuse stale ones.
    """
    made = {"webhook-id": identity, "webhook-timestamp": str(timestamp)}
    if secrets:
        made["webhook-signature"] = " ".join(_signature(secret, identity, str(timestamp), body) for secret in secrets)
    return made


def is_genuine(secret: str, given: Mapping[str, str], body: bytes) -> bool:
    """Return whether one of the signatures in these headers was made with this key, in a time that tells nothing of it.

    given: the headers, by their names as `headers` writes them. Raises ValueError for a key that is none.
    """
    wanted = _signature(secret, given.get("webhook-id", ""), given.get("webhook-timestamp", ""), body)
    return any(
        hmac.compare_digest(wanted.encode(), one.encode()) for one in given.get("webhook-signature", "").split(" ")
    )


def _signature(secret: str, identity: str, timestamp: str, body: bytes) -> str:
    signed = f"{identity}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key_bytes(secret), signed, hashlib.sha256).digest()).decode()
