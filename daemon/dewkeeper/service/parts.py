"""What the parts of the daemon say of themselves: that they are alive, that they do their work, how things are."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge.types import JournalEntry
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.notify.plan import Planner
from dewkeeper.notify.saying import Situation, by_id
from dewkeeper.report.watching import STALE_POLLS
from dewkeeper.sampling.sampler import Sampler
from dewkeeper.service.ledger import Ledger
from dewkeeper.service.watch import Heartbeats
from dewkeeper.service.writer import Writer
from dewkeeper_config.models import Config

_SENDING_SECONDS = 180.0  # three of the dispatcher's longest waits, as three polls are of the sampler


def alive(config: Config, clock: Clock, sampler: Sampler, writer: Writer, dispatcher: Dispatcher) -> Heartbeats:
    """Return when each loop last turned: by this the system's watchdog is fed."""
    return Heartbeats(
        clock,
        {
            "sampler": (lambda: sampler.heartbeat, 3.0 * config.site.poll_seconds + 30),
            "writer": (lambda: writer.heartbeat, 90.0),
            "dispatcher": (lambda: dispatcher.turned, _SENDING_SECONDS),
        },
    )


def working(config: Config, clock: Clock, sampler: Sampler, ledger: Ledger, dispatcher: Dispatcher) -> Heartbeats:
    """Return when work was last done, which a loop that turns does not say: this is what the heartbeat vouches for."""
    poll_seconds, commit_seconds = config.site.poll_seconds, config.storage.commit_minutes * 60
    return Heartbeats(
        clock,
        {
            "reading probes": (lambda: sampler.heartbeat, 3.0 * poll_seconds + 30),
            "recording": (ledger.worked, commit_seconds + 2.0 * poll_seconds + 120),
            "telling": (lambda: dispatcher.worked, _SENDING_SECONDS),
        },
    )


def situation(
    config: Config,
    writer: Writer,
    ledger: Ledger,
    planner: Planner,
    journal: Callable[[str | None], Sequence[JournalEntry]],
) -> Situation:
    """Return how things are now, for the words of what is sent now."""
    return Situation(
        alarms=by_id(writer.alarms),
        untold_end=planner.untold_end(),
        newest=writer.newest.copy(),
        stale_seconds=STALE_POLLS * config.site.poll_seconds,
        journal=journal,
        recorded=not ledger.refused,
        stepped=planner.stepped,
    )
