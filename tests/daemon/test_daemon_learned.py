"""Learned facts: handed in like any command, part of the stream, read back, and known to the judge after a restart."""

from __future__ import annotations

from typing import Any

import pytest
from tests.daemon.conftest import Racks

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Fact, Learned
from dewkeeper.store import History

DAY = 86400


def _fact(daemon: Any, **other: Any) -> dict[str, Any]:
    until = daemon.timeline.now() + 21 * DAY
    fact = {"quantity": "drying_hours", "value": 9.0, "low": 8.0, "high": 11.0, "decays": 6, "days": 42, "until": until}
    return {**fact, **other}


def _teach(daemon: Any, facts: list[dict[str, Any]], **other: Any) -> Any:
    return daemon.handle({"do": "learned", "enclosure": "T1", "facts": facts, "version": 1, **other})


def test_what_was_learned_is_stored_told_to_the_judge_and_known_after_a_restart(racks: Racks) -> None:
    """The newest word of an enclosure counts; what it leaves out is withdrawn; the stream and a restarted judge have it."""
    config = racks.config(2, 60)
    daemon = racks.start(config)
    withheld = {"quantity": "misting_hours", "why": "nobody misted it"}
    _teach(daemon, [_fact(daemon), withheld], outlook='{"made": 1}')
    first = daemon.timeline.now()
    racks.clock.advance(120)
    with History.open(racks.folder) as history:
        known = history.learned(daemon.timeline.now())
        assert history.figures("outlook:") == {"T1": '{"made": 1}'}
        assert not [name for name in history.notes() if "outlook" in name]
    assert set(known) == {"T1"}
    assert known["T1"].facts[1] == Fact("misting_hours", why="nobody misted it")
    fact = known["T1"].fact("drying_hours", first)
    assert fact is not None
    assert (fact.value, fact.unit, fact.decays) == (9.0, "h", 6)
    assert known["T1"].fact("drying_hours", first + 22 * DAY) is None
    _teach(daemon, [_fact(daemon, value=8.5)])
    racks.stop_after(daemon, 120)
    again = racks.start(config)
    with History.open(racks.folder) as history:
        now = again.timeline.now()
        items = [item for item in history.stream(0) if isinstance(item, Learned)]
        assert [len(item.facts) for item in items] == [2, 1]
        assert history.learned(now)["T1"] == items[-1]
        assert history.learned(first)["T1"] == items[0]
    state = again.writer.judge._state
    held = state.fact("T1", "drying_hours", state.now)
    assert held is not None
    assert held.value == 8.5


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ([{"low": 10.0}], "within its interval"),
        ([{"value": float("nan")}], "within its interval"),
        ([{"until": 1}], "within 60 days"),
        ([{}, {}], "twice"),
        ([{"quantity": "luck"}], "quantity"),
        ([{"value": None, "low": None, "high": None}], "says why"),
    ],
)
def test_facts_that_cannot_be_are_refused_with_the_reason(racks: Racks, facts: list[dict[str, Any]], why: str) -> None:
    """An interval beside its value, no number, nothing it holds until, a quantity twice or unknown: refused whole."""
    daemon = racks.start(racks.config(1, 60))
    with pytest.raises(CommandRefused, match=why):
        _teach(daemon, [_fact(daemon, **one) for one in facts])
    with History.open(racks.folder) as history:
        assert history.learned(daemon.timeline.now() + 60) == {}
