"""What an installation must be able to do before it may replace the one that runs."""

from __future__ import annotations

import importlib
import tempfile
from collections.abc import Callable
from pathlib import Path

from dewkeeper.clock import SystemClock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Reading
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_config.reference import sample

_NEEDED = ("adafruit_sht31d", "apscheduler.schedulers.background", "requests", "smtplib", "smbus2", "psychrolib")


def selftest() -> list[str]:
    """Return what does not work, in words; empty when all is well. Touches nothing outside a temporary folder."""
    steps: list[tuple[str, Callable[[], None]]] = [(f"import {name}", _importer(name)) for name in _NEEDED]
    steps.append(("configuration, judge and database", _one_poll))
    failures = []
    for name, step in steps:
        try:
            step()
        except Exception as error:  # noqa: BLE001  whatever it is, this installation must not be switched to
            failures.append(f"{name}: {error}")
    return failures


def _importer(name: str) -> Callable[[], None]:
    def step() -> None:
        importlib.import_module(name)

    return step


def _one_poll() -> None:
    config: Config = parse(sample().encode(), Path("sample"))
    judge = Judge()
    now = int(SystemClock().wall())
    settings = judge_settings(config, now)
    judge.feed(settings)
    reading = Reading(now, config.probe[0].name, 30.0, 65.0, 28086, 42598)
    verdict = judge.feed(reading)
    with tempfile.TemporaryDirectory(prefix="dewkeeper-selftest-") as folder:
        store = Store.open(Path(folder), config.storage, SystemClock())
        try:
            store.commit(Batch(readings=((reading, verdict.quality[0]),), items=(settings,), events=verdict.events))
        finally:
            store.close()
        history = History.open(Path(folder))
        try:
            if not history.latest():
                raise RuntimeError("a stored reading was not found again")
        finally:
            history.close()
