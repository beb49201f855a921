"""Whom to believe: verified TLS for everything that is sent."""

from __future__ import annotations

import os
import ssl
from functools import lru_cache
from pathlib import Path

import certifi


def trusted_context(ca_file: Path | None) -> ssl.SSLContext:
    """Return a context that verifies certificate and name, TLS 1.2 or newer.

    ca_file: believe this authority alone; None: the system's authorities, and those requests ships where the system has no
    folder of them. Raises OSError if the file cannot be read, ssl.SSLError (an OSError) if it holds no certificate.
    """
    return _context(ca_file, 0 if ca_file is None else ca_file.stat().st_mtime_ns, _folder())


@lru_cache(maxsize=16)
def _context(ca_file: Path | None, changed_at: int, folder: str | None) -> ssl.SSLContext:
    # Loading some 150 authorities takes a small Pi a fifth of a second and 2 MB: once, not at every message, and not at all
    # from a folder, of which OpenSSL reads the one it meets a certificate of.
    context = ssl.create_default_context(cafile=ca_file, capath=None if ca_file else folder)
    if ca_file is None and folder is None:
        context.load_verify_locations(certifi.where())
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _folder() -> str | None:
    """Return the folder where the system keeps each authority by its hash; None without one, or with a file named instead."""
    found = ssl.get_default_verify_paths()
    if found.capath is None or found.openssl_cafile_env in os.environ:
        return None
    return found.capath if any(Path(found.capath).glob("*.0")) else None
