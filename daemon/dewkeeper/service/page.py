"""The page as a part of the daemon: started if it can be, and never in the way of the rest."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dewkeeper.clock import Clock
from dewkeeper.service.watch import Heartbeats
from dewkeeper.store import History
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.web.serve import PageServer
    from dewkeeper.web.visit import HealthLine

log = logging.getLogger(__name__)


def open_page(
    config: Config,
    handle: Callable[[dict[str, Any]], Mapping[str, Any]],
    heartbeats: Heartbeats,
    recording: Callable[[], str],
    clock: Clock,
) -> PageServer | None:
    """Return the running page, or None when it is off or its address cannot be had: the log says which.

    recording: why nothing is recorded just now, empty when all is.
    """
    if not config.web.enabled:
        return None
    # Only now: without the page the daemon does without what it imports.
    from dewkeeper.web.serve import PageServer

    page = PageServer(
        config,
        lambda: History.open(config.storage.folder),
        handle,
        lambda: health_lines(config, heartbeats, recording()),
        clock,
    )
    try:
        page.start()
    except OSError as error:
        log.warning("no page: %s:%d cannot be had: %s", config.web.host, config.web.port, error)
        return None
    host, port = page.address
    log.info("the page is at http://%s:%d/", host, port)
    if page.first_run_code is not None:
        log.warning("the page has no login yet; set it with this code, good once: %s", page.first_run_code)
    return page


def health_lines(config: Config, heartbeats: Heartbeats, not_recorded: str) -> Sequence[HealthLine]:
    """Return what the health screen shows: the parts, recording, disk, channels, backup and the last path test."""
    from dewkeeper.web.visit import HealthLine

    dead = heartbeats.dead()
    lines = [HealthLine(name, name not in dead, f"last sign of life {age:.0f} s ago") for name, age in _ages(heartbeats)]
    lines.append(HealthLine("recording", not not_recorded, not_recorded or "everything is on disk"))
    try:
        disk = shutil.disk_usage(config.storage.folder)
        free = 100 * disk.free / disk.total
        lines.append(HealthLine("disk", free >= config.storage.free_percent, f"{free:.0f} % free"))
        with History.open(config.storage.folder) as history:
            waiting = [m for m in history.messages() if m.state in ("pending", "failed")]
            standing = [a for a in history.standing() if a.kind == "system"]
    except Exception as error:  # noqa: BLE001  a health screen must show itself above all
        return [*lines, HealthLine("database", False, str(error))]
    for channel in config.channel:
        stuck = [m for m in waiting if m.channel == channel.name and m.attempts]
        text = f"{len(stuck)} not delivered, last: {stuck[-1].last_error}" if stuck else "nothing waits"
        lines.append(HealthLine(f"channel {channel.name}", not stuck, text))
    lines.append(HealthLine("own alarms", not standing, "; ".join(a.cause for a in standing) or "none"))
    backup = config.storage.backup.folder
    lines.append(HealthLine("backup", None if backup is None else True, str(backup or "none configured")))
    return lines


def _ages(heartbeats: Heartbeats) -> list[tuple[str, float]]:
    return sorted(heartbeats.ages().items())
