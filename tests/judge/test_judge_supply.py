"""Probes that restarted: one probe's sagging supply, everybody's power cycle, and what is no news at all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Event, Rebase, Settings

NAMES = [f"B{i}" for i in range(1, 9)]


def _two_adapters() -> Settings:
    """Return a rack of eight probes, four on each of two adapters, each probe on a branch of its own."""
    settings = rack(NAMES, bus="i2c1")
    probes = {
        name: replace(
            facts, bus=f"i2c{1 + n // 4}", branch=f"i2c{1 + n // 4} channel {n % 4}", adapter=f"i2c{1 + n // 4}"
        )
        for n, (name, facts) in enumerate(settings.probes.items())
    }
    return replace(settings, probes=probes)


def _poll(desk: Desk, minutes: int, restarted: Iterable[str] = ()) -> list[Event]:
    """Poll all once a minute; these say at the first of them that they restarted."""
    events: list[Event] = []
    for minute in range(minutes):
        desk.now += 60
        for name in desk.settings.probes:
            seen = ("reset_seen",) if minute == 0 and name in restarted else ()
            events += desk.feed(replace(desk.reading(name, 29.0, 65.0, 0.03), notes=seen))
    return [e for e in events if e.event in ("raised", "cleared")]


def test_a_power_cycle_of_everything_is_one_alarm_with_one_cause() -> None:
    """All eight probes restart in one cycle: one alarm that names them, over an hour later."""
    desk = Desk(_two_adapters())
    _poll(desk, 60)
    told = _poll(desk, 90, desk.settings.probes)
    assert [(e.kind, e.event, e.probe) for e in told] == [("brownout", "raised", None), ("brownout", "cleared", None)]
    assert told[0].cause == "8 probes of several buses lost power at once"
    assert told[0].detail["probes"] == "p1, p2, p3, p4, p5, p6, p7, p8"
    assert told[0].time - (desk.now - 90 * 60) <= 4 * 60


def test_a_power_cycle_of_one_adapter_names_the_adapter() -> None:
    """The four probes of one adapter restart together: one alarm for it, nothing of the others."""
    desk = Desk(_two_adapters())
    _poll(desk, 60)
    told = _poll(desk, 5, ("p5", "p6", "p7", "p8"))
    assert [(e.kind, e.detail.get("branch")) for e in told] == [("brownout", "i2c2")]


def test_probes_that_restart_one_after_another_are_each_their_own() -> None:
    """Two probes with a quarter of an hour between them: two alarms, each for its probe."""
    desk = Desk(_two_adapters())
    _poll(desk, 60)
    told = [*_poll(desk, 15, ("p2",)), *_poll(desk, 15, ("p6",))]
    assert [(e.kind, e.probe) for e in told] == [("brownout", "p2"), ("brownout", "p6")]


def test_a_restart_seen_at_a_start_or_after_an_outage_is_no_news() -> None:
    """The first readings of all, those after a start of the daemon, and those after an hour's outage say nothing of a supply."""
    desk = Desk(_two_adapters())
    told = _poll(desk, 30, desk.settings.probes)
    desk.now += 2 * 3600
    desk.feed(Rebase(desk.now, 0))
    told += _poll(desk, 30, desk.settings.probes)
    desk.now += 3600  # nobody was polled, and no start was noted
    told += _poll(desk, 30, desk.settings.probes)
    assert "brownout" not in [e.kind for e in told]


def test_a_dump_between_restart_and_verdict_loses_nothing() -> None:
    """The process ends between the restart and the two polls it is looked at over: it is told all the same."""
    desk = Desk(_two_adapters())
    _poll(desk, 60)
    _poll(desk, 1, ("p3",))
    desk.judge = type(desk.judge).load(desk.judge.dump())
    assert [(e.kind, e.probe) for e in _poll(desk, 5)] == [("brownout", "p3")]
