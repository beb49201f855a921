"""The page as a part of the daemon: started if it can be, and never in the way of the rest."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dewkeeper.clock import Clock
from dewkeeper.notify.daily import path_name
from dewkeeper.notify.heartbeat import Pulse
from dewkeeper.notify.neighbour import NeighbourWatch
from dewkeeper.notify.planner_state import Memory
from dewkeeper.report.wording import Wording
from dewkeeper.service.losses import LossCounts
from dewkeeper.service.watch import Heartbeats
from dewkeeper.store import History
from dewkeeper.store.backup import backups, made_at
from dewkeeper.store.records import Message
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.collect.there import AllThere
    from dewkeeper.web.serve import PageServer
    from dewkeeper.web.visit import HealthLine

log = logging.getLogger(__name__)

WORK = {"sampler": "reading probes", "writer": "judging and writing", "dispatcher": "sending messages"}
"""What the parts are called for people."""
_SENT_DAYS = 31
_BACKUP_SECONDS = 36 * 3600
"""A nightly copy may be this old before it counts as missed."""


def open_page(
    config: Config,
    handle: Callable[[dict[str, Any]], Mapping[str, Any]],
    heartbeats: Heartbeats,
    recording: Callable[[], str],
    clock: Clock,
    trusted: Callable[[], bool],
    losses: LossCounts,
    pulse: Pulse,
    neighbour: NeighbourWatch | None,
) -> PageServer | None:
    """Return the running page, or None when it is off or its address cannot be had: the log says which.

    recording: why nothing is recorded just now, empty when all is. trusted: whether the wall clock may be believed.
    """
    if not config.web.enabled:
        return None
    # Only now: without the page the daemon does without what it imports.
    from dewkeeper.web.serve import PageServer

    page = PageServer(
        config,
        lambda: History.open(config.storage.folder),
        handle,
        lambda: health_lines(
            config, heartbeats, recording(), int(clock.wall()), losses, pulse, neighbour, clock_trusted=trusted()
        ),
        clock,
        neighbour.hear if neighbour is not None else None,
        _all_sites(config),
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


def _all_sites(config: Config) -> AllThere | None:
    """Return the sites that the page is over, None where it is its own site's."""
    if config.collector is None:
        return None
    try:
        from dewkeeper.collect.all_sites import AllSites
    except ModuleNotFoundError as error:
        if error.name != "psycopg":
            raise
        from dewkeeper.collect.errors import NO_PSYCOPG

        log.warning("no page over all sites: %s", NO_PSYCOPG)
        return None
    return AllSites(config.collector)


def health_lines(
    config: Config,
    heartbeats: Heartbeats,
    not_recorded: str,
    now: int,
    losses: LossCounts,
    pulse: Pulse,
    neighbour: NeighbourWatch | None = None,
    *,
    clock_trusted: bool,
) -> Sequence[HealthLine]:
    """Return what the health screen shows: parts, clock, recording, disk, heartbeat, channels, path tests, backup, own alarms.

    now: UTC seconds.
    """
    from dewkeeper.web.visit import HealthLine

    wording, dead = Wording.of(config.site, space="\u00a0"), heartbeats.dead()
    lines = [
        HealthLine(WORK[name], name not in dead, f"last sign of life {wording.lasting(age)} ago")
        for name, age in sorted(heartbeats.ages().items())
    ]
    said = (
        wording.stamp(now) if clock_trusted else "it is behind what was stored before; readings wait for the true time"
    )
    lines.append(HealthLine("clock", clock_trusted, said))
    lines.append(HealthLine("recording", not not_recorded, not_recorded or "everything is on disk"))
    given_up = "; ".join(text for text in (losses.aside_text(), losses.dropped_text()) if text)
    lines.append(HealthLine("dropped or set aside", not given_up, given_up or "nothing since the start"))
    if counted := losses.counted_text():
        lines.append(HealthLine("sending", None, f"since the start: {counted}"))
    lines.append(_heartbeat(config, pulse))
    if neighbour is not None and config.neighbour is not None:
        lines.append(HealthLine(f"neighbour {config.neighbour.name}", *neighbour.text()))
    try:
        disk = shutil.disk_usage(config.storage.folder)
        free = 100 * disk.free / disk.total
        needed = config.storage.free_percent
        lines.append(
            HealthLine(
                "disk", free >= needed, f"{free:.0f} % free" + (f", needs {needed:g} %" if free < needed else "")
            )
        )
        with History.open(config.storage.folder) as history:
            messages = history.messages(now - _SENT_DAYS * 86400)
            standing = [a for a in history.standing() if a.kind == "system" and a.state != "normal"]
            notes = history.notes()
    except Exception as error:  # noqa: BLE001  a health screen must show itself above all
        return [*lines, HealthLine("database", False, str(error))]
    lines += [_channel(channel.name, messages, wording, now) for channel in config.channel]
    lines += _path_tests(config, notes, wording, now)
    lines.append(_backup(config, wording, now))
    lines.append(HealthLine("own alarms", not standing, "; ".join(a.cause for a in standing) or "none"))
    return sorted(lines, key=lambda line: line.well is not False)


def _heartbeat(config: Config, pulse: Pulse) -> HealthLine:
    """Return whether somebody outside would notice if this machine fell silent."""
    from dewkeeper.web.visit import HealthLine

    if config.notify.heartbeat_url is None:
        return HealthLine(
            "heartbeat",
            None,
            "nobody outside would notice a dead Pi: set [notify] heartbeat_url in the configuration file (guide, “Being told”)",
        )
    asked = pulse.answered is not None or pulse.unanswered > 0
    return HealthLine("heartbeat", pulse.unanswered == 0 if asked else None, pulse.text())


def _channel(name: str, messages: Sequence[Message], wording: Wording, now: int) -> HealthLine:
    from dewkeeper.web.visit import HealthLine

    own = [m for m in messages if m.channel == name]
    # Without a try yet it only waits its turn.
    stuck = [m for m in own if m.state in ("pending", "failed") and m.attempts]
    sent = [m.sent for m in own if m.sent is not None]
    text = f"last message arrived {wording.clock(max(sent), now)}" if sent else "no message in a month"
    if stuck:
        text = f"{len(stuck)} not delivered, last: {stuck[-1].last_error}; {text}"
    return HealthLine(f"channel {name}", not stuck, text)


def _path_tests(config: Config, notes: Mapping[str, str], wording: Wording, now: int) -> list[HealthLine]:
    """Return one line per person and channel: when somebody last confirmed that a test message arrived."""
    from dewkeeper.web.visit import HealthLine

    memory, days = Memory.load(notes.get("planner")), config.notify.path_test_days
    lines = []
    for person in config.person:
        for channel in person.channels:
            last = memory.confirmed.get(path_name(person.name, channel))
            text = "never confirmed: send a test, then tap the link in it"
            if last is not None:
                text = f"last confirmed {wording.day(last)}, {wording.lasting(now - last)} ago"
            fresh = now - (last or memory.paths_from or now) < days * 86400
            # Never confirmed, and asked for only lately: neither well nor not.
            well = fresh if last is not None or not fresh else None
            lines.append(HealthLine(f"way to {person.name} over {channel}", well, text))
    return lines


def _backup(config: Config, wording: Wording, now: int) -> HealthLine:
    from dewkeeper.web.visit import HealthLine

    folder = config.storage.backup.folder
    if folder is None:
        return HealthLine(
            "backup",
            None,
            "a failed card would take the history along: set [storage.backup] folder in the configuration file (guide, “Backup”)",
        )
    made = max((at for copy in backups(folder) if (at := made_at(copy)) is not None), default=None)
    if made is None:
        return HealthLine("backup", False, f"none in {folder} yet")
    return HealthLine(
        "backup", now - made < _BACKUP_SECONDS, f"newest {wording.stamp(made)}, {wording.lasting(now - made)} old"
    )
