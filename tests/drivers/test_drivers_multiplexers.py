"""Many probes behind user-space multiplexers: nothing hangs, nobody answers for somebody else."""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from tests.wire.wire_faults import HeldLow, Noise, Refuse, Slow, Swallow

from dewkeeper_drivers.branches import Branch
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import BranchLost, BusError, BusStuck, ProbeError, ProbeMissing

WORST_EXTRA_SECONDS = 2.0


class Cycle:
    """Polls of several probes; `read` gives per probe its number or the error's class."""

    def __init__(self, bus: Bus, probes: dict[int, Probe], wire: Any) -> None:
        self.bus, self.probes, self.wire = bus, probes, wire
        self.seconds = 0.0

    def read(self) -> dict[int, int | type[Exception]]:
        found: dict[int, int | type[Exception]] = {}
        began = self.wire.now()
        self.bus.begin_cycle()
        for number, probe in self.probes.items():
            try:
                sample = probe.read()
            except ProbeError as error:
                found[number] = type(error)
            else:
                assert sample.humidity_word - sample.temperature_word == 10_000, "a reading mixed of two sensors"
                found[number] = sample.temperature_word - 20_000
        self.bus.end_cycle()
        self.seconds = self.wire.now() - began
        return found

    @property
    def all_well(self) -> dict[int, int]:
        return {number: number for number in self.probes}


@pytest.fixture
def eight(rig: Any) -> Cycle:
    """One multiplexer with a probe on each of its eight channels."""
    mux = rig.wire.add_mux(0x70)
    for channel in range(8):
        rig.behind(mux, channel, number=channel)
    bus = rig.bus()
    return Cycle(bus, {channel: rig.probe(bus, mux=0x70, channel=channel) for channel in range(8)}, rig.wire)


@pytest.fixture
def two(rig: Any) -> Cycle:
    """Two multiplexers with the same address on the same channel, and a direct probe of another address."""
    for place, address in enumerate((0x70, 0x71)):
        rig.behind(rig.wire.add_mux(address), 3, number=place)
    rig.direct(2, 0x45)
    bus = rig.bus()
    probes = {place: rig.probe(bus, mux=0x70 + place, channel=3) for place in (0, 1)}
    return Cycle(bus, {**probes, 2: rig.probe(bus, 0x45)}, rig.wire)


def _free_for_another_thread(bus: Bus) -> bool:
    done: list[bool] = []

    def use() -> None:
        with bus.session(bus.port()):
            done.append(True)

    thread = threading.Thread(target=use)
    thread.start()
    thread.join(10)
    return done == [True]


def test_every_probe_reads_its_own_air(eight: Cycle) -> None:
    """Eight sensors of one address behind one multiplexer each give their own air, and no channel stays open."""
    assert eight.read() == eight.all_well
    assert eight.wire.muxes[0].mask == 0


def test_selection_is_read_back_before_a_reading(eight: Cycle) -> None:
    """Between select and the first word to the sensor the mask is read."""
    eight.wire.trace.clear()
    eight.probes[5].read()
    talk = [(t.kind, t.address, t.data or t.result) for t in eight.wire.trace]
    select = talk.index(("write", 0x70, b"\x20"))
    assert talk[select + 1] == ("read", 0x70, b"\x20")
    assert talk[select + 2][1] == 0x44


def test_multiplexer_silent_on_select_hangs_nothing(two: Cycle) -> None:
    """A multiplexer that does not acknowledge its selection costs its own probes only; the lock is free."""
    two.wire.faults.append(Refuse(address=0x70, kind="write", data=b"\x08"))
    assert two.read() == {0: BranchLost, 1: 1, 2: 2}
    assert _free_for_another_thread(two.bus)
    two.wire.faults.clear()
    assert two.read() == two.all_well


def test_multiplexer_silent_on_deselect_hangs_nothing(two: Cycle) -> None:
    """A multiplexer that cannot be deselected leaves its sensor on the line; the others are read, and as themselves."""
    refuse = Refuse(address=0x70, kind="write", data=b"\x00")
    two.wire.faults.append(refuse)
    for _ in range(3):
        found = two.read()
        assert found[1] in (1, BranchLost)
        assert found[2] == 2
        assert found[0] in (0, BranchLost)
    assert _free_for_another_thread(two.bus)
    two.wire.faults.clear()
    two.read()
    assert two.read() == two.all_well
    assert two.wire.muxes[0].mask == 0


def test_deaf_open_multiplexer_never_answers_for_another(rig: Any) -> None:
    """While a multiplexer is deaf with a channel open, the same address behind another gives its own air or none.

    Also with the other probe unplugged, when the open channel's sensor would be the only one to answer.
    """
    first, second = rig.wire.add_mux(0x70), rig.wire.add_mux(0x71)
    rig.behind(first, 3, number=0)
    mine = rig.behind(second, 3, number=1)
    bus = rig.bus()
    cycle = Cycle(bus, {n: rig.probe(bus, mux=0x70 + n, channel=3) for n in (0, 1)}, rig.wire)
    first.mask, first.deaf = 1 << 3, True
    for plugged in (True, False):
        mine.plugged = plugged
        found = cycle.read()
        assert found[0] is BranchLost
        assert found[1] in (1, BranchLost, ProbeMissing)
    first.deaf, mine.plugged = False, True
    cycle.read()
    assert cycle.read() == cycle.all_well


def test_direct_probe_is_known_by_its_serial_while_a_multiplexer_is_deaf(rig: Any) -> None:
    """A direct probe that is away is not replaced by the same address behind a deaf, open multiplexer."""
    mux = rig.wire.add_mux(0x70)
    rig.behind(mux, 3, number=0)
    mine = rig.direct(1)
    bus = rig.bus()
    probe = rig.probe(bus)
    mux.mask, mux.deaf = 1 << 3, True
    mine.plugged = False
    bus.begin_cycle()
    with pytest.raises(BranchLost, match="answers instead of"):
        probe.read()


def test_channels_left_open_by_a_killed_process_are_closed_first(rig: Any) -> None:
    """Whatever a process killed between select and deselect left open is closed before the first reading."""
    for place, address in enumerate((0x70, 0x71)):
        rig.behind(rig.wire.add_mux(address), 3, number=place)
    for mux in rig.wire.muxes:
        mux.mask = 0xFF
    bus = rig.bus()
    assert rig.probe(bus, mux=0x71, channel=3).read().temperature_word == 20_001
    assert [mux.mask for mux in rig.wire.muxes] == [0, 0]


def test_channel_opened_by_somebody_else_is_closed_before_each_reading(two: Cycle) -> None:
    """A channel that another program opened in the meantime never mixes into a reading."""
    for _ in range(3):
        two.wire.muxes[0].mask = 1 << 3
        assert two.probes[1].read().temperature_word == 20_001


def test_multiplexer_absent_at_start_is_adopted_later(rig: Any) -> None:
    """A multiplexer that is not there at start costs its own probes only, and is used as soon as it is there."""
    mux = rig.wire.add_mux(0x70)
    rig.behind(mux, 0, number=0)
    rig.direct(1, 0x45)
    mux.plugged = False
    bus = rig.bus()
    assert rig.probe(bus, 0x45).read().temperature_word == 20_001
    for _ in range(5):
        bus.begin_cycle()
        with pytest.raises(BranchLost):
            rig.probe(bus, mux=0x70, channel=0)
    mux.plugged = True
    bus.begin_cycle()
    bus.begin_cycle()
    assert rig.probe(bus, mux=0x70, channel=0).read().temperature_word == 20_000


def test_lost_multiplexer_is_one_fault(eight: Cycle) -> None:
    """A multiplexer that went away is named as one fault, not as eight probes, and forgotten when it is back."""
    eight.wire.muxes[0].plugged = False
    for _ in range(4):
        eight.read()
    assert [str(fault.branch) for fault in eight.bus.faults()] == ["multiplexer 0x70"]
    eight.wire.muxes[0].plugged = True
    eight.read()
    assert eight.read() == eight.all_well
    eight.bus.begin_cycle()
    assert eight.bus.faults() == ()


def test_dead_branch_costs_little_and_the_rest_is_read(eight: Cycle) -> None:
    """A branch on which every word times out costs at most 2 s a cycle, is one fault, and is back in two cycles."""
    eight.read()
    healthy = eight.seconds
    fault = HeldLow(branch=(0x70, 3))
    eight.wire.faults.append(fault)
    for _ in range(20):
        found = eight.read()
        assert issubclass(found.pop(3), BusError)  # type: ignore[arg-type]
        assert found == {n: n for n in range(8) if n != 3}
        assert eight.seconds <= healthy + WORST_EXTRA_SECONDS
    assert [fault.branch for fault in eight.bus.faults()] == [Branch(0x70, 3)]
    eight.wire.faults.clear()
    eight.read()
    assert eight.read() == eight.all_well
    eight.bus.begin_cycle()
    assert eight.bus.faults() == ()


def test_several_dead_branches_take_turns(eight: Cycle) -> None:
    """With half of the channels dead only one has its try in a cycle: the cost does not add up."""
    eight.read()
    healthy = eight.seconds
    for channel in range(4):
        eight.wire.faults.append(HeldLow(branch=(0x70, channel)))
    for _ in range(2):  # until they are known
        eight.read()
    for _ in range(12):
        eight.read()
        assert eight.seconds <= healthy + WORST_EXTRA_SECONDS
    assert len(eight.bus.faults()) == 4
    eight.wire.faults.clear()
    for _ in range(10):
        found = eight.read()
    assert found == eight.all_well


def test_short_that_kills_the_bus_names_its_channel(eight: Cycle) -> None:
    """A short that silences multiplexer and all is laid to the channel whose selection began it."""
    eight.wire.faults.append(HeldLow(branch=(0x70, 3), deaf=True))
    for _ in range(4):
        found = eight.read()
        assert eight.seconds <= 8 * 0.02 + WORST_EXTRA_SECONDS
    assert all(isinstance(result, type) for result in found.values())
    (fault,) = eight.bus.faults()
    assert fault.branch == Branch()
    assert "since channel 3 of multiplexer 0x70 was used" in fault.why


@pytest.mark.above_seam
def test_after_its_reset_the_short_channel_is_left_alone(eight: Cycle) -> None:
    """Once power is back the seven good channels are read; the short one is tried more and more rarely."""
    eight.wire.faults.append(HeldLow(branch=(0x70, 3), deaf=True))
    killed, seven = 0, 0
    for _ in range(300):
        found = eight.read()
        if eight.wire.muxes[0].mask:  # the keeper pulls the plug and puts it back
            killed += 1
            eight.wire.muxes[0].power_cycle()
        seven += found == {**eight.all_well, 3: found[3]}
    assert killed <= 9
    assert seven >= 270


@pytest.mark.above_seam
def test_bus_held_for_an_hour_costs_little_and_comes_back(eight: Cycle) -> None:
    """A bus held low for sixty polls costs at most 2 s each, is one fault, and works in the second cycle after."""
    eight.wire.faults.append(HeldLow())
    for _ in range(60):
        assert all(isinstance(result, type) for result in eight.read().values())
        assert eight.seconds <= WORST_EXTRA_SECONDS
    assert [str(fault.branch) for fault in eight.bus.faults()] == ["the bus itself"]
    eight.wire.faults.clear()
    eight.read()
    assert eight.read() == eight.all_well


def test_slow_probe_is_broken_off(rig: Any) -> None:
    """A probe that stretches every word by half a second is given up within the cycle's allowance."""
    mux = rig.wire.add_mux(0x70)
    rig.behind(mux, 0, number=0)
    rig.behind(mux, 1, number=1, address=0x45)
    bus = rig.bus()
    cycle = Cycle(bus, {n: rig.probe(bus, 0x44 + n, mux=0x70, channel=n) for n in (0, 1)}, rig.wire)
    rig.wire.faults.append(Slow(0.5, address=0x45))
    for _ in range(6):
        found = cycle.read()
        assert found[0] == 0
        assert isinstance(found[1], type)
        assert cycle.seconds <= WORST_EXTRA_SECONDS
    rig.wire.faults.clear()
    cycle.read()
    assert cycle.read() == cycle.all_well


def _positions(cycle: Cycle) -> Iterator[int]:
    cycle.read()
    cycle.wire.trace.clear()
    before = cycle.wire.transfers
    cycle.read()
    yield from range(cycle.wire.transfers - before)


@pytest.mark.above_seam
@pytest.mark.parametrize("code", [errno.EAGAIN, errno.EIO, errno.EREMOTEIO, errno.ETIMEDOUT])
@pytest.mark.parametrize("times", [1, 3, 12])
def test_failure_at_every_position_never_mixes_probes(two: Cycle, code: int, times: int) -> None:
    """A transfer lost at any position of a cycle, alone or with those after it, never gives another probe's air."""
    for position in _positions(two):
        two.wire.faults[:] = [Refuse(code=code, skip=position, times=times)]
        found = two.read()
        assert all(isinstance(result, type) or result == number for number, result in found.items())
        two.wire.faults.clear()
        two.read()
        two.read()
        assert two.read() == two.all_well, f"not recovered from position {position}"


@pytest.mark.parametrize("times", [1, 2, 5])
def test_write_lost_unnoticed_at_every_position_never_mixes_probes(two: Cycle, times: int) -> None:
    """A write that was reported as sent and reached nobody never gives another probe's air, wherever it happens."""
    for position in _positions(two):
        two.wire.faults[:] = [Swallow(skip=position, times=times)]
        found = two.read()
        assert all(isinstance(result, type) or result == number for number, result in found.items())
        two.wire.faults.clear()
        two.read()
        two.read()
        assert two.read() == two.all_well


def test_single_lost_transfer_costs_no_reading(two: Cycle) -> None:
    """One transfer lost at any position of a cycle is made good by trying again."""
    for position in _positions(two):
        two.wire.faults[:] = [Refuse(code=errno.EIO, skip=position, times=1)]
        assert two.read() == two.all_well, f"position {position}"


@pytest.mark.above_seam
def test_every_fifth_transfer_lost_still_completes_cycles(eight: Cycle) -> None:
    """With 20 % of transfers lost at least 99 % of readings arrive."""
    eight.wire.faults.append(Noise(share=0.2, code=errno.EIO))
    arrived = sum(result == number for _ in range(100) for number, result in eight.read().items())
    assert arrived >= 792


def test_session_inside_another_is_refused(two: Cycle) -> None:
    """Two branches cannot be open at once: asking for one inside the session of another is an error, not a mixture."""
    bus = two.bus
    with bus.session(bus.port(0x70, 3)), pytest.raises(BusError, match="in a session of"):
        bus.port(0x71, 3).try_lock()
    assert _free_for_another_thread(bus)


def test_after_a_time_out_nothing_more_is_said(two: Cycle) -> None:
    """Within one session a held bus costs one time-out, however much the library still wants to say."""
    two.wire.faults.append(HeldLow(branch=(0x70, 3)))
    began = two.wire.now()
    with pytest.raises(BusStuck):
        two.probes[0].read()
    assert two.wire.now() - began < 1.1


@pytest.mark.parametrize("opens", [(0, 1 << 5), (1, 1 << 3)], ids=["another channel", "the other multiplexer's"])
def test_another_program_that_selects_at_any_moment_never_mixes_probes(opens: tuple[int, int], rig: Any) -> None:
    """Whenever another program selects a channel of its own, the reading is its own sensor's or none, and soon its own."""
    first, second = rig.wire.add_mux(0x70), rig.wire.add_mux(0x71)
    for mux, channel, number in ((first, 3, 0), (first, 5, 1), (second, 3, 2)):
        rig.behind(mux, channel, number)
    bus = rig.bus()
    places = ((0x70, 3), (0x70, 5), (0x71, 3))
    cycle = Cycle(
        bus, {n: rig.probe(bus, mux=mux, channel=channel) for n, (mux, channel) in enumerate(places)}, rig.wire
    )
    which, mask = opens
    misread = 0
    for position in _positions(cycle):
        moment = rig.wire.transfers + position

        def meddle(wire: Any, transfer: Any, happen: Any, moment: int = moment) -> None:
            happen()
            if transfer.number == moment + 1:
                wire.muxes[which].mask = mask

        rig.wire.faults[:] = [meddle]
        found = cycle.read()
        misread += not all(isinstance(result, type) or result == number for number, result in found.items())
        rig.wire.faults.clear()
        assert cycle.read() == cycle.all_well, f"not recovered from position {position}"
    assert misread == 0
