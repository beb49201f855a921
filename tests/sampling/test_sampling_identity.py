"""Serial numbers per position: moved, swapped and replaced sensors are questions, never silently another history."""

from __future__ import annotations

from typing import Any

import pytest

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Calibration, Command
from dewkeeper.sampling.identity import Identities
from dewkeeper.sampling.probe_tools import NOTE, ProbeTools, numbers


def test_first_sensor_is_recorded_without_a_question() -> None:
    """A position that never had a sensor takes the first one heard, and knows it again."""
    identities = Identities({})
    assert identities.observe("b4", 7).what == "new"
    assert identities.observe("b4", 7).what == "same"
    assert identities.note("b4") is None
    assert identities.note("b5") is None


def test_another_sensor_is_a_question_until_it_is_accepted() -> None:
    """A sensor never seen before stands as a question, marks the readings, and is over once the keeper accepts it."""
    identities = Identities({"b4": 7})
    finding = identities.observe("b4", 8)
    assert finding.what == "replaced"
    assert "8" in str(finding)
    assert "7" in str(finding)
    assert identities.note("b4") == "other_sensor"
    assert identities.accept("b4") == 8
    assert identities.note("b4") is None


def test_sensor_from_another_position_has_moved() -> None:
    """A sensor recorded elsewhere is named with the place it came from, in the readings' mark too, safely quoted."""
    identities = Identities({"b4": 7, "b 5+": 8})
    finding = identities.observe("b4", 8)
    assert (finding.what, finding.other) == ("moved", "b 5+")
    assert identities.note("b4") == "other_sensor:b%205%2B"


def test_two_exchanged_sensors_are_swapped() -> None:
    """Once both positions were heard, both say that they were swapped; put back, both questions are over."""
    identities = Identities({"b4": 7, "b5": 8})
    identities.observe("b4", 8)
    assert identities.observe("b5", 7).what == "swapped"
    assert [finding.what for finding in identities.findings()] == ["swapped", "swapped"]
    assert [identities.note(probe) for probe in ("b4", "b5")] == ["other_sensor:b5", "other_sensor:b4"]
    identities.observe("b4", 7)
    identities.observe("b5", 8)
    assert [identities.note(probe) for probe in ("b4", "b5")] == [None, None]


def test_accepting_a_swap_takes_both() -> None:
    """A swap that the keeper meant is accepted position by position."""
    identities = Identities({"b4": 7, "b5": 8})
    identities.observe("b4", 8)
    identities.observe("b5", 7)
    identities.accept("b4")
    identities.accept("b5")
    assert [finding.what for finding in identities.findings()] == ["same", "same"]


def test_configured_serial_is_the_owner_of_structure() -> None:
    """A serial in the configuration decides, whatever was recorded."""
    identities = Identities({"b4": 7}, {"b4": 9})
    assert identities.observe("b4", 7).what == "unexpected"
    assert identities.observe("b4", 9).what == "same"


def test_retired_position_takes_a_sensor_only_when_it_is_accepted() -> None:
    """After a probe was retired no sensor is recorded at its place, also after a restart, before the keeper says so."""
    identities = Identities({"b4": 7})
    identities.observe("b4", 7)
    identities.retire("b4")
    for life in (identities, Identities({}, retired=["b4"])):
        assert life.observe("b4", 8).what == "retired"
        assert life.note("b4") is None
        assert life.accept("b4") == 8
        assert life.observe("b4", 8).what == "same"


class Daemon:
    """Probe tools with what they hand on written down."""

    def __init__(self) -> None:
        self.notes: dict[str, str] = {}
        self.commands: list[Command] = []
        self.identities = Identities({"b4": 7})
        self.tools = ProbeTools(["b4", "b5"], self.identities, self.notes.__setitem__, self._submit, lambda: 1000)

    def _submit(self, command: Command | Calibration) -> str:
        assert isinstance(command, Command)
        self.commands.append(command)
        return ""

    def ask(self, verb: str, **request: Any) -> Any:
        return self.tools.handlers()[verb]({"do": verb, **request})


def test_accepting_stores_serial_and_placement() -> None:
    """`probe_accept` stores what was heard, where the store's notes give it back after a restart."""
    daemon = Daemon()
    daemon.identities.observe("b4", 8)
    assert daemon.ask("probe_accept", probe="b4", placement="back, 2 cm deep")["serial"] == 8
    assert numbers(daemon.notes, NOTE) == {"b4": 8}
    assert daemon.notes["placement:b4"] == "back, 2 cm deep"
    (command,) = daemon.commands
    assert (command.verb, command.probe) == ("accept", "b4")


def test_nothing_heard_nothing_accepted() -> None:
    """A position whose sensor was not heard yet cannot be accepted; an unknown one is refused with the names."""
    daemon = Daemon()
    with pytest.raises(CommandRefused, match="not heard"):
        daemon.ask("probe_accept", probe="b5")
    with pytest.raises(CommandRefused, match="b4, b5"):
        daemon.ask("probe_accept", probe="b6")


def test_retiring_tells_the_judge_and_forgets() -> None:
    """`probe_retire` has the judge believe nothing of the probe from now on and forgets its sensor."""
    daemon = Daemon()
    daemon.identities.observe("b4", 7)
    daemon.ask("probe_retire", probe="b4", why="broken cable", who="Marit")
    (command,) = daemon.commands
    assert (command.verb, command.probe, command.time, command.why) == ("retire", "b4", 1000, "broken cable")
    assert daemon.notes["serial:b4"] == "retired"
    (row,) = daemon.ask("probe_serials")["probes"]
    assert row["what"] == "retired"


def test_serials_lists_questions() -> None:
    """`probe_serials` tells each sensor's state in a word and a sentence."""
    daemon = Daemon()
    daemon.identities.observe("b4", 8)
    (row,) = daemon.ask("probe_serials")["probes"]
    assert row["what"] == "replaced"
    assert "Did you replace it?" in row["says"]
