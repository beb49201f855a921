"""A bus call that never returns: told, then the process is restarted for it, ever more rarely."""

from __future__ import annotations

from dewkeeper.sampling.bus_reports import BusReports
from dewkeeper.sampling.stuck import PATIENCE_SECONDS, StuckAdapters


class Adapters:
    """What the sampler would say of its workers, and what is remembered over restarts."""

    def __init__(self) -> None:
        self.stuck: dict[str, float] = {}
        self.worked: set[str] = set()
        self.notes: dict[str, int] = {}

    def life(self) -> StuckAdapters:
        """Return the watching of one life of the process."""
        self.worked.clear()
        return StuckAdapters(lambda: self.stuck, lambda: self.worked, self.notes, self.notes.__setitem__)


def test_a_long_poll_is_no_reason() -> None:
    """A worker busy for some minutes, with many sick branches to wait for, restarts nothing."""
    adapters = Adapters()
    life = adapters.life()
    adapters.stuck = {"one": PATIENCE_SECONDS - 1}
    assert [life() for _ in range(3)] == [[], [], []]
    assert adapters.notes == {}


def test_the_try_is_remembered_before_the_process_ends() -> None:
    """The first look stores the number, the second gives up: the next life knows."""
    adapters = Adapters()
    life = adapters.life()
    adapters.stuck = {"one": PATIENCE_SECONDS}
    assert life() == []
    assert adapters.notes == {"one": 1}
    assert life() == ["one"]


def test_each_life_waits_twice_as_long() -> None:
    """Restarting does not help for ever: the waits double, up to sixteen hours."""
    adapters = Adapters()
    for tries in range(9):
        life = adapters.life()
        adapters.stuck = {"one": PATIENCE_SECONDS * 2 ** min(tries, 6) - 1}
        assert (life(), life()) == ([], [])
        adapters.stuck = {"one": PATIENCE_SECONDS * 2 ** min(tries, 6)}
        assert (life(), life()) == ([], ["one"])


def test_an_adapter_that_works_again_is_forgiven() -> None:
    """Freed before the process ends, nothing is restarted; once it has worked, the next wait is short again."""
    adapters = Adapters()
    life = adapters.life()
    adapters.stuck = {"one": PATIENCE_SECONDS}
    life()
    adapters.stuck, adapters.worked = {}, {"one"}
    assert life() == []
    assert adapters.notes == {"one": 0}


def test_a_stuck_adapter_is_reported_once_and_over_when_it_returns() -> None:
    """Two minutes without return are reported for all that hangs on the adapter; returned, it is over."""
    stuck: dict[str, float] = {"one": 60.0}
    reports = BusReports(list, lambda: stuck)
    assert reports(100) == []
    stuck["one"] = 130.0
    (report,) = reports(200)
    assert (report.part, report.trouble) == ("one", True)
    assert "does not return" in report.text
    stuck.clear()
    assert [(r.part, r.trouble) for r in reports(300)] == [("one", False)]
