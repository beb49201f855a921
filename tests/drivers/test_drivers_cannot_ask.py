"""A controller that cannot send empty messages, and so can ask nobody without a word: no phantoms, nobody blinded."""

from __future__ import annotations

import errno
from typing import Any

import pytest
from tests.wire.wire_faults import Refuse

from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_drivers.errors import BranchLost, ProbeMissing
from dewkeeper_drivers.scan import scan_bus

# I2C_AQ_NO_ZERO_LEN in linux/i2c.h: the core refuses with EOPNOTSUPP; some drivers do it themselves, with EINVAL.
REFUSALS = [errno.EOPNOTSUPP, errno.EINVAL]


@pytest.fixture(params=REFUSALS, ids=["unsupported", "invalid"])
def dumb(rig: Any, request: pytest.FixtureRequest) -> Any:
    """Two multiplexers with a sensor each, one on the bus itself, and a controller that refuses empty messages."""
    rig.wire.faults.append(Refuse(code=request.param, kind="write", data=b""))
    rig.direct(1, 0x45)
    rig.behind(rig.wire.add_mux(0x70), 3, number=2)
    rig.wire.add_mux(0x71).channels[5].append(Sht4x(lambda: (22.0, 55.0), serial=77))
    return rig


def test_probes_are_read(dumb: Any) -> None:
    """Probes are opened and read, direct and behind multiplexers, and an absent one is missing."""
    bus = dumb.bus()
    assert dumb.probe(bus, 0x45).read().temperature_word == 20_001
    assert dumb.probe(bus, mux=0x70, channel=3).read().temperature_word == 20_002
    assert dumb.probe(bus, mux=0x71, channel=5, driver="sht4x").serial() == 77
    with pytest.raises(ProbeMissing):
        dumb.probe(bus, mux=0x70, channel=4)


def test_scan_finds_sensors_and_no_phantoms(dumb: Any) -> None:
    """What is found is what hangs there: not an answer at every address."""
    found = {(f.multiplexer, f.channel, f.address): (f.driver, f.serial) for f in scan_bus(dumb.config()).found}
    assert found == {
        (None, None, 0x45): ("sht31d", 1),
        (0x70, 3, 0x44): ("sht31d", 2),
        (0x71, 5, 0x44): ("sht4x", 77),
    }


def test_one_absent_multiplexer_blinds_nobody(dumb: Any) -> None:
    """While one multiplexer is away the probes behind the other and on the bus itself are read."""
    dumb.wire.muxes[1].plugged = False
    bus = dumb.bus()
    probes = (dumb.probe(bus, 0x45), dumb.probe(bus, mux=0x70, channel=3))
    for _ in range(3):
        bus.begin_cycle()
        assert [probe.read().temperature_word for probe in probes] == [20_001, 20_002]
        with pytest.raises(BranchLost):
            dumb.probe(bus, mux=0x71, channel=5, driver="sht4x")
        bus.end_cycle()


def test_a_deaf_open_multiplexer_answers_for_nobody(dumb: Any) -> None:
    """A sensor behind a multiplexer that is deaf and open is found out before it can answer for another."""
    dumb.wire.muxes[1].mask, dumb.wire.muxes[1].deaf = 1 << 5, True
    bus = dumb.bus()
    with pytest.raises(BranchLost, match="answers with nothing selected"):
        dumb.probe(bus, mux=0x70, channel=3)
