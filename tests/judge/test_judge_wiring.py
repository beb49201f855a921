"""Parts of the wiring that fail: one fault each, named for the part, with why."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.judge_desk import START, Desk, rack

from dewkeeper.judge.types import Event, ProbeFacts, Settings, SystemReport

NAMES = [f"B{n}" for n in range(1, 9)]


def _wired() -> Settings:
    """Return eight probes, two on each of two channels of two multiplexers of one bus."""
    settings = rack(NAMES)
    probes = {}
    for n, (name, facts) in enumerate(settings.probes.items()):
        mux = f"one multiplexer {0x70 + n // 4:#04x}"
        probes[name] = replace(facts, bus="one", adapter="one", multiplexer=mux, branch=f"{mux} channel {n // 2 % 2}")
    return replace(settings, probes=probes)


def _minutes(desk: Desk, minutes: int, silent: set[str]) -> list[Event]:
    new: list[Event] = []
    for _ in range(minutes):
        desk.now += 60
        for name in desk.settings.probes:
            reading = desk.reading(name, 29.0, 65.0, 0.05) if name not in silent else desk.reading(name, None, None)
            new += desk.feed(reading)
    return new


def _report(desk: Desk, part: str, text: str) -> None:
    assert desk.feed(SystemReport(desk.now, f"bus {part}", trouble=True, text=text, part=part)) == []


def test_a_dead_branch_is_one_fault_with_its_reason() -> None:
    """Two probes of a channel fall silent after its trouble was reported: one alarm, naming channel, reason and probes."""
    desk = Desk(_wired())
    _minutes(desk, 10, set())
    _report(desk, "one multiplexer 0x70 channel 1", "tried again and again, no answer")
    (event,) = _minutes(desk, 12, {"p3", "p4"})
    assert (event.kind, event.event, event.enclosure) == ("missing", "raised", None)
    assert event.cause == "every probe of one multiplexer 0x70 channel 1 is silent: tried again and again, no answer"
    assert event.detail["members"] == "p3, p4"
    assert [(e.kind, e.event) for e in _minutes(desk, 8, set())] == [("missing", "cleared")]


def test_several_branches_dying_at_once_are_one_fault_each() -> None:
    """A channel of either multiplexer dies in the same minute: two alarms, one a channel."""
    desk = Desk(_wired())
    _minutes(desk, 10, set())
    events = _minutes(desk, 12, {"p1", "p2", "p7", "p8"})
    assert sorted(str(e.detail["branch"]) for e in events) == [
        "one multiplexer 0x70 channel 0", "one multiplexer 0x71 channel 1",
    ]  # fmt: skip


def test_the_widest_silent_part_is_named() -> None:
    """All channels of a multiplexer: the multiplexer; all multiplexers: the bus; all buses of an adapter: the adapter."""
    desk = Desk(_wired())
    _minutes(desk, 10, set())
    (event,) = _minutes(desk, 12, {"p1", "p2", "p3", "p4"})
    assert event.detail["branch"] == "one multiplexer 0x70"
    _minutes(desk, 10, set())
    (event,) = _minutes(desk, 12, set(desk.settings.probes))
    assert event.detail["branch"] == "one"

    kernel = rack(NAMES)
    kernel = replace(
        kernel,
        probes={name: ProbeFacts(name, "substrate", facts.enclosure, "room", f"left-{n}", f"left-{n}", adapter="i2c1")
                for n, (name, facts) in enumerate(kernel.probes.items())},
    )  # fmt: skip
    desk = Desk(kernel)
    _minutes(desk, 10, set())
    (event,) = _minutes(desk, 12, set(desk.settings.probes))
    assert event.detail["branch"] == "i2c1"


def test_a_lone_probe_of_a_sick_part_says_why() -> None:
    """A probe alone on its branch is told as missing, with the branch's trouble as the cause."""
    settings = rack(("B1", "B2"))
    probes = {name: replace(facts, branch=f"one {name}") for name, facts in settings.probes.items()}
    desk = Desk(replace(settings, probes=probes))
    _minutes(desk, 10, set())
    _report(desk, "one p1", "the bus is held low")
    (event,) = _minutes(desk, 12, {"p1"})
    assert (event.probe, event.cause) == ("p1", "one p1: the bus is held low")


def test_a_reason_is_forgotten_with_the_first_reading() -> None:
    """Whatever was reported is over when the part is read again, even if nobody said so."""
    desk = Desk(_wired())
    _minutes(desk, 10, set())
    _report(desk, "one", "a call on it does not return")
    _minutes(desk, 1, set())
    (event,) = _minutes(desk, 12, set(desk.settings.probes))
    assert event.cause == "every probe of one is silent"
    assert event.time > START
