"""From the morning on: the hours until now in fast motion, then the same daemon on the machine's own clock."""

from __future__ import annotations

import threading
import time

from dewkeeper.clock import ManualClock, SystemClock
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper_demo.night import until
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import LIVE_POLL_SECONDS, NIGHT_POLL_SECONDS, Stage


def go_on(stage: Stage, show: Show, clock: ManualClock) -> None:
    """Run until interrupted (KeyboardInterrupt); the daemon is stopped then."""
    show.say()
    show.say("Passing the hours since that morning ...")
    # The last minutes at the live pace: a pause of one slow poll before it would be shown as not measured.
    for poll_seconds, short_of_now in ((NIGHT_POLL_SECONDS, 2 * NIGHT_POLL_SECONDS), (LIVE_POLL_SECONDS, 0)):
        config = stage.write_config(poll_seconds)
        daemon = Daemon(config, clock=clock, alarm=SilentAlarm)
        daemon.start()
        try:
            until(clock, daemon, time.time() - short_of_now)
        finally:
            daemon.stop()
    stage.clock = SystemClock()
    daemon = Daemon(config, clock=stage.clock)
    daemon.start()
    show.say("Live now, a poll a minute. Ctrl-C ends it.")
    if daemon.page is None:
        show.say(f"No page: port {config.web.port} is taken; try another with --port.")
    else:
        host, port = daemon.page.address
        show.say(
            f"The page: http://{host}:{port}/ with a week behind it. At the first visit it wants a name, a password of"
            f" your choice, and this code: {daemon.page.first_run_code}"
        )
    try:
        threading.Event().wait()
    finally:
        daemon.stop()
