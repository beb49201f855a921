"""Whom to believe: verified TLS for everything that is sent."""

from __future__ import annotations

import ssl
from functools import lru_cache
from pathlib import Path

import certifi


def trusted_context(ca_file: Path | None) -> ssl.SSLContext:
    """Return a context that verifies certificate and name, TLS 1.2 or newer.

    ca_file: believe this authority alone; None: the system's authorities and those requests ships. Raises OSError if
    the file cannot be read, ssl.SSLError (an OSError) if it holds no certificate.
    """
    return _context(ca_file, 0 if ca_file is None else ca_file.stat().st_mtime_ns)


@lru_cache(maxsize=16)
def _context(ca_file: Path | None, changed_at: int) -> ssl.SSLContext:
    # Loading some 150 authorities takes a small Pi a fifth of a second: once, not at every message.
    context = ssl.create_default_context(cafile=ca_file)
    if ca_file is None:
        context.load_verify_locations(certifi.where())
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context
