"""`demo/run`: an evening to a morning in an invented snake room, and the page on it for who wants to stay."""

from __future__ import annotations

import argparse
import sys
import time
from datetime import date
from pathlib import Path

from tzlocal import get_localzone_name

from dewkeeper.clock import ManualClock
from dewkeeper.errors import DewkeeperError
from dewkeeper_config.errors import ConfigError
from dewkeeper_demo import finale, live, night
from dewkeeper_demo.rack import PLACES, wiring
from dewkeeper_demo.scenes import EVENING, last_night, moment
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import Stage, quiet_logs

_FOLDER = Path(__file__).resolve().parents[1] / "state"


def main() -> int:
    """Run the demonstration and return its exit code."""
    args = _parser().parse_args()
    zone = args.zone or _zone()
    evening = args.evening or last_night(time.time(), zone)
    show = Show(zone)
    quiet_logs()
    began = time.monotonic()
    try:
        with Stage(args.state.resolve(), zone, evening) as stage:
            _introduce(show, stage)
            clock = ManualClock(wall=moment(evening, EVENING, zone))
            config = night.play(stage, show, clock)
            finale.glance(config, show, clock)
            show.say()
            show.say(f"That night took {time.monotonic() - began:.0f} seconds.")
            finale.what_next(stage, show)
            if args.live or _wants_the_page(show):
                stage.web_port = args.port
                live.go_on(stage, show, clock)
    except KeyboardInterrupt:
        show.say()
        show.say("Stopped.")
    except (DewkeeperError, ConfigError, OSError) as error:
        print(f"the demonstration stopped: {error}", file=sys.stderr)
        return 1
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="demo/run", description=__doc__)
    parser.add_argument("--live", action="store_true", help="go on in real time afterwards, with the page")
    parser.add_argument("--port", type=int, default=8080, help="TCP port of the page with --live (default 8080)")
    parser.add_argument("--evening", type=date.fromisoformat, help="date of the evening (default: last night's)")
    parser.add_argument("--zone", help="time zone of the snake room (default: this machine's)")
    parser.add_argument("--state", type=Path, default=_FOLDER, help="folder for what it writes, emptied first")
    return parser


def _wants_the_page(show: Show) -> bool:
    """Ask whoever sits at a terminal; a script or a pipe is not asked, and has read how to come back."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return False
    show.say()
    try:
        answer = input("Open the page on this rack now, a week of history behind it? [y/N] ")
    except EOFError:
        return False
    return answer.strip().lower().startswith("y")


def _zone() -> str:
    try:
        return get_localzone_name() or "UTC"
    except (LookupError, ValueError):
        return "UTC"


def _introduce(show: Show, stage: Stage) -> None:
    buses = len({wire.bus for wire in wiring()})
    show.say(
        f"A snake room that does not exist: {len(PLACES)} enclosures, {len(wiring())} probes on {buses} I2C buses, and"
        " one night in it. The daemon is the real one: it reads the probes' wires, judges, stores in SQLite, and sends"
        " over HTTP and SMTP to an inbox on this machine. Only the air and the clock are ours: a poll every 5 minutes,"
        " as fast as it goes. A week of ordinary care lies behind it already."
    )
    show.say()
    show.lines(f"{stage.evening:%A, %d %B %Y}")


if __name__ == "__main__":
    raise SystemExit(main())
