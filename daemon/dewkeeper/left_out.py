"""What libraries import for uses that nobody here has: not loaded, or only once it is asked for.

Together 4.3 MB of a daemon's resident memory (x86, 30 November 2026).
"""

from __future__ import annotations

import ctypes
import importlib
import os
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any


class _Asyncio(ModuleType):
    """Stands for asyncio in a library that takes its one question along; whoever asks it for more gets the real one's."""

    @staticmethod
    def iscoroutinefunction(thing: object) -> bool:
        import inspect

        return inspect.iscoroutinefunction(thing)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):  # asked of every module by the import system
            raise AttributeError(name)
        if sys.modules.get("asyncio") is self:
            del sys.modules["asyncio"]
        return getattr(importlib.import_module("asyncio"), name)


@contextmanager
def asyncio_put_off() -> Iterator[None]:
    """While this lasts, `import asyncio` loads nothing until it is used: for libraries that have an asynchronous half.

    Only around imports: a thread that imports a part of asyncio meanwhile would not find it.
    """
    if "asyncio" in sys.modules:
        yield
        return
    stands = _Asyncio("asyncio")
    sys.modules["asyncio"] = stands
    try:
        yield
    finally:
        if sys.modules.get("asyncio") is stands:
            del sys.modules["asyncio"]


def leave_out_charsets() -> None:
    """Keep requests from loading what guesses the encoding of answers: nobody here reads an answer as text.

    Without it requests takes UTF-8, and warns once.
    """
    sys.modules.setdefault("charset_normalizer", None)  # type: ignore[arg-type]  # importlib: None stops an import
    warnings.filterwarnings("ignore", "Unable to find acceptable character detection")


def leave_out_gnutls() -> None:
    """Load the system's libpq, where there is one, without the start of GnuTLS, which libpq brings along for LDAP alone.

    0.7 MB less resident. By GnuTLS's own switch (its manual, "Initialization"); the LDAP library starts it itself where it
    is asked. Before the first thread: the environment is changed meanwhile, and no program called later inherits it.
    """
    if "GNUTLS_NO_IMPLICIT_INIT" in os.environ:
        return
    os.environ["GNUTLS_NO_IMPLICIT_INIT"] = "1"
    try:
        with suppress(OSError):  # told by the first pass, in words
            ctypes.CDLL("libpq.so.5")
    finally:
        del os.environ["GNUTLS_NO_IMPLICIT_INIT"]
