"""Heat is not argued away: whatever came before, two samples beyond tolerable are told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.judge.judge_desk import Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper.judge.types import Command, JournalEntry, Reading

LIMIT_C = 34.0
BEFORE = (
    "calm", "misted", "misted unnoted", "cleaned", "suppressed", "gap", "polls lost", "rubbish", "fell to the room",
    "swapped", "saturated", "dry", "garbled",
)  # fmt: skip


def _prepare(desk: Desk, before: str, start_c: float, h: float) -> None:
    others = [("air", 22.0, 45.0), ("p2", 30.5, 72.0)]
    desk.hold(9 * 60, t=start_c, h=h, others=others)
    if before == "misted":
        desk.feed(JournalEntry("m", desk.now, "B1", "misted"))
    if before in ("misted", "misted unnoted"):
        desk.hold(20, t=start_c - 0.5, h=min(95.0, h + 25), others=others)
    elif before == "cleaned":
        desk.feed(JournalEntry("c", desk.now, "B1", "cleaned"))
        desk.hold(20, t=start_c - 3, h=h - 15, others=others)
    elif before == "suppressed":
        desk.feed(Command("s", desk.now, "suppress", "marit", "moving house", enclosure="B1", until=desk.now + 7200))
    elif before == "gap":
        desk.now += 5400
    elif before == "polls lost":
        desk.hold(2, t=None, h=None)
    elif before == "rubbish":
        desk.hold(1, t=-45.0, h=0.0, noise=0.0)
    elif before == "fell to the room":
        desk.hold(25, t=22.2, h=45.5, others=others)
    elif before in ("swapped", "saturated", "dry"):
        _prepare_by_the_air(desk, before, start_c, h)
    elif before == "garbled":
        desk.now += 60
        desk.feed(Reading(desk.now, "p1", None, None, failure="crc"))


def _prepare_by_the_air(desk: Desk, before: str, start_c: float, h: float) -> None:
    others = [("air", 22.0, 45.0), ("p2", 30.5, 72.0)]
    if before == "swapped":
        desk.feed(JournalEntry("o1", desk.now, "B1", "opened"), JournalEntry("o2", desk.now, "B2", "opened"))
        desk.hold(14 * 60, t=30.5, h=72.0, others=[("air", 22.0, 45.0), ("p2", start_c, h)])
    elif before == "saturated":
        desk.hold(60, t=start_c - 1, h=99.9, others=others)
    elif before == "dry":
        desk.hold(120, t=start_c, h=48.0, others=others)


@settings(max_examples=amount(20, 2000))
@given(
    st.floats(0.5, 5.0), st.floats(26.0, 32.0), st.floats(57.0, 78.0), st.sampled_from(BEFORE), st.booleans(),
    st.floats(0.0, 1.0),
)  # fmt: skip
@example(5.0, 26.0, 66.0, "misted", True, 1.0)  # a mist dries and the heat takes the rest: no two humidities agree
@example(4.0, 30.0, 57.0, "misted", False, 0.0)  # the humidity jumps and the first hot reading waits
def test_fast_overheating_is_told_within_two_samples(
    rate: float, start_c: float, h: float, before: str, vapour_stays: bool, late: float
) -> None:
    """0.5 to 5 °C a minute from any calm, after mistings, openings, gaps, swaps, orders to be silent: second sample beyond."""
    desk = Desk(rack(("B1", "B2"), room=True))
    _prepare(desk, before, start_c, h)
    vapour = vapour_hpa(start_c, h)
    beyond = 0
    for minute in range(1, 60):
        t = start_c + rate * (minute - late)
        humidity = humidity_at(vapour, t) if vapour_stays else max(20.0, h - minute)
        desk.now += 60
        reading = desk.reading("p1", t, humidity, 0.03)
        events = desk.feed(desk.reading("air", 22.0, 45.0, 0.03), reading)
        beyond += reading.temperature_c is not None and reading.temperature_c > LIMIT_C
        if any(e.kind == "hot" and e.event == "raised" for e in events):
            assert beyond <= 2
            return
        assert beyond < 2, f"{beyond} samples beyond and nothing told"
    raise AssertionError("never told")


@settings(max_examples=amount(12, 600))
@given(st.floats(34.3, 60.0), st.floats(-2.9, 2.9), st.floats(20, 33), st.floats(30, 95), st.floats(1, 100))
@example(45.0, 0.0, 29.0, 65.0, 15.0)  # the sensor dries out in the heat: its two humidities are worlds apart
def test_two_hot_readings_that_agree_always_count(
    first: float, apart: float, before: float, h: float, other_h: float
) -> None:
    """However sudden, at whatever humidities, in whatever fault that is only inferred: they raise `hot`."""
    desk = Desk(rack())
    desk.hold(60, t=before, h=h)
    second = max(LIMIT_C + 0.2, first + apart)
    events = desk.hold(2, t=lambda m: first if m == 0 else second, h=lambda m: h if m == 0 else other_h, noise=0.0)
    assert any(e.kind == "hot" and e.event == "raised" for e in events), (first, second)


@pytest.mark.parametrize("notes", [(), ("crc_burst",)])
def test_a_second_hot_reading_counts_though_its_humidity_left_the_first(notes: tuple[str, ...]) -> None:
    """33.8, 34.4 and 34.6 °C at 65, 65 and 95 %: the second beyond 34 °C tells, on a bus that damages many answers too."""
    desk = Desk(rack(("B1",)))
    desk.hold(9 * 60, t=33.8, h=65.0)
    for t, h in ((34.4, 65.0), (34.6, 95.0)):
        assert not any(e.kind == "hot" for e in desk.events)
        desk.now += 60
        desk.feed(replace(desk.reading("p1", t, h), notes=notes))
    assert any(e.kind == "hot" and e.event == "raised" for e in desk.events)
