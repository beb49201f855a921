"""Loading the genuine CircuitPython sensor libraries, late and without guessing at the machine.

Importing one runs Blinka's platform detection, which reads /proc and /proc/device-tree and lets most errors
through. Naming chip and board beforehand skips it; no pin is ever used, so the name does not matter.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType, SimpleNamespace
from typing import Any

from dewkeeper_drivers.errors import DriverBroken

_ANY_MACHINE = {"BLINKA_FORCECHIP": "GENERIC_X86", "BLINKA_FORCEBOARD": "GENERIC_LINUX_PC"}
# What names the machine stands in the process's environment, and each adapter has a thread.
_importing = threading.Lock()


def load(name: str, sleep: Callable[[float], None] = time.sleep) -> Any:
    """Return the library `name`, whose waits call `sleep`. Raises DriverBroken, with the cause chained.

    With the ordinary sleep it is the imported module itself. A bus that keeps its own time gets a second instance
    of the same file in which the name `time` means that bus's time; nothing else is changed.
    """
    with _importing, _machine_named():
        try:
            genuine = importlib.import_module(name)
            return genuine if sleep is time.sleep else _instance(name, sleep)
        except Exception as error:  # detection and the libraries below raise anything
            raise DriverBroken(f"the library {name} cannot be loaded: {error}") from error


def _instance(name: str, sleep: Callable[[float], None]) -> ModuleType:
    spec = importlib.util.find_spec(name)
    if spec is None or spec.loader is None:
        raise ImportError(name)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    setattr(module, "time", SimpleNamespace(sleep=sleep, time=time.time))  # noqa: B010  a module has no such field to mypy
    return module


@contextmanager
def _machine_named() -> Iterator[None]:
    added = {key: value for key, value in _ANY_MACHINE.items() if key not in os.environ}
    os.environ.update(added)
    try:
        yield
    finally:
        for key in added:
            os.environ.pop(key, None)
