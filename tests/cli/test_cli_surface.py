"""A surface thermometer's reading, from the command line to the journal and to what is said of that place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.cli.test_cli_answered import House
from tests.daemon.conftest import Phone


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Return a house whose messages reach a phone."""
    with Phone() as phone:
        made = House(tmp_path, phone.url)
        yield made
        made.racks.stop_all()


def test_a_surface_reading_is_kept_with_its_unit_and_told(house: House) -> None:
    """Written down with a note it stands in the journal in °C; `known` says how humid it was there, as reckoned, with its caution."""
    code, _, error = house.says(house.file, ["journal", "add", "T1", "surface", "31.5", "--note", "hide floor"])
    assert (code, error) == (0, "")
    assert "31.5 °C hide floor" in house.says(house.file, ["journal", "list"])[1].decode()
    said = house.says(house.file, ["known", "T1"])[1].decode()
    assert "In the hide about" in said
    assert "its surface had 31.5 °C" in said
    assert "(reckoned)" in said
    assert "(not known)" in said
    assert "exotics vet. (caution)" in said


@pytest.mark.parametrize("words", [["31.5"], ["hide"], ["310", "hide"], ["hide", "2", "31.5"]])
def test_a_surface_reading_that_says_too_little_is_refused(house: House, words: list[str]) -> None:
    """Without a place, a temperature, or with two: exit 1, and how it is written."""
    code, _, error = house.says(house.file, ["journal", "add", "T1", "surface", *words])
    assert code == 1
    assert "31.5 hide floor" in error
