"""What libraries import for uses that nobody here has: not loaded, or only once it is asked for.

Together 4.3 MB of a daemon's resident memory (x86, 30 November 2026).
"""

from __future__ import annotations

import importlib
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
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
