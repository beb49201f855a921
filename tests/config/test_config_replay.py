"""What a replay asks of a configuration."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewkeeper_config import ConfigInvalid
from dewkeeper_config.loading import ReplayConfig, load

RACK = """
[site]
timezone = "Europe/Vienna"
[[rack]]
name = "left"
[[enclosure]]
name = "b4"
rack = "left"
[[probe]]
name = "b4"
enclosure = "b4"
"""


def test_a_replay_needs_nobody_to_tell(tmp_path: Path) -> None:
    """A file without channels, people or wiring is enough for a replay and refused for the daemon."""
    file = tmp_path / "rack.toml"
    file.write_text(RACK)
    assert load(file, ReplayConfig).probe[0].name == "b4"
    with pytest.raises(ConfigInvalid) as refused:
        load(file)
    assert {problem.key for problem in refused.value.problems} == {"channel", "person"}


def test_a_replay_still_refuses_what_is_wrong(tmp_path: Path) -> None:
    """Leaving people out does not loosen any other check, that of the people who are named included."""
    file = tmp_path / "rack.toml"
    file.write_text(RACK + '[[person]]\nname = "Marit"\nchannels = ["phone"]\n')
    with pytest.raises(ConfigInvalid) as refused:
        load(file, ReplayConfig)
    assert any("channels" in problem.key for problem in refused.value.problems)
