"""An evening to a morning through the unmodified daemon: only its clock is moved by hand, five minutes at a time."""

from __future__ import annotations

from dewkeeper.clock import ManualClock
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.client import request
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper_config.models import Config
from dewkeeper_demo.inbox import Arrival
from dewkeeper_demo.scenes import EVENING, KEEPER, MORNING, NEIGHBOUR, NIGHT, Scene, moment
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import NIGHT_POLL_SECONDS, Stage
from dewkeeper_demo.week_before import lay_down


def play(stage: Stage, show: Show, clock: ManualClock) -> Config:
    """Play the night on a stage whose clock stands at the evening; returns in the morning, the daemon stopped.

    Raises DewkeeperError when the daemon refuses what the script asks of it.
    """
    config = stage.write_config(NIGHT_POLL_SECONDS)
    stage.clock = clock

    def arrived(arrival: Arrival) -> None:
        show.message(clock.wall(), arrival, KEEPER if arrival.device == "phone" else NEIGHBOUR)

    # Before the daemon starts: one process writes.
    lay_down(stage.world, stage.care, config, clock, stage.begins, moment(stage.evening, EVENING, stage.zone))
    stage.inbox.listen(arrived)
    daemon = Daemon(config, clock=clock, alarm=SilentAlarm)
    daemon.start()
    try:
        for scene in NIGHT:
            until(clock, daemon, moment(stage.evening, scene.at, stage.zone))
            show.happens(clock.wall(), scene.told)
            _act(stage, config, scene)
        until(clock, daemon, moment(stage.evening, MORNING, stage.zone))
    finally:
        daemon.stop()
    return config


def until(clock: ManualClock, daemon: Daemon, when: float) -> None:
    """Move the clock to a time (UTC seconds), a poll at a time, with the calendar done by hand."""
    while clock.wall() < when:
        clock.advance(min(NIGHT_POLL_SECONDS, when - clock.wall()))
        daemon.calendar.run_due()  # by hand, for the machine's own scheduler would sleep real hours


def _act(stage: Stage, config: Config, scene: Scene) -> None:
    if scene.deed is not None:
        stage.world.at(stage.clock.wall(), scene.deed)
    if scene.unplug is not None:
        stage.unplug(scene.unplug)
    if scene.acknowledge is not None:
        for alarm in standing(config, scene.acknowledge):
            request(stage.folder, {"do": "acknowledge", "alarm": alarm, "who": KEEPER})
    if scene.journal is not None:
        enclosure, what, detail = scene.journal
        request(stage.folder, {"do": "journal", "enclosure": enclosure, "what": what, "detail": detail, "who": KEEPER})


def standing(config: Config, enclosure: str) -> list[str]:
    """Return the ids of an enclosure's standing alarms, as the database has them."""
    with History.open(config.storage.folder) as history:
        return [alarm.alarm for alarm in history.standing() if alarm.enclosure == enclosure]
