"""What the page offers to tap."""

from __future__ import annotations

import tomllib
from pathlib import Path

from dewkeeper.judge.words import JOURNAL, WITHDRAWN
from dewkeeper.report.animal_facts import DESCRIBED
from dewkeeper.web.choices import BY_KEY, CHOICES, asks_for_vet
from dewkeeper.web.effects import file_lines
from dewkeeper_config.loading import ReplayConfig, parse

OF_A_SCREEN = {WITHDRAWN, "not_today", "looked", DESCRIBED}
"""A tap or a form of their own: in the round, with the animal, or beside what they take back."""


def test_every_word_of_the_journal_can_be_tapped() -> None:
    """The page knows each word that the command line knows, those with a tap of their own there, and no key twice."""
    assert {choice.what for choice in BY_KEY.values()} | OF_A_SCREEN == set(JOURNAL)
    assert len(BY_KEY) == sum(len(group) for group in CHOICES.values())


def test_signs_of_illness_ask_for_the_vet_and_others_do_not() -> None:
    """Wheeze, a discoloured belly, a spectacle or tail tip left on: the vet. A whole shed, a refused meal: no."""
    asking = {key for key, choice in BY_KEY.items() if asks_for_vet(choice.what, choice.detail)}
    assert asking == {"wheeze", "open-mouth", "belly-colour", "belly-cracked", "shed-eyes", "shed-tail"}


def test_lines_for_the_file_are_those_of_a_file() -> None:
    """What an enclosure's screen offers to copy names it as the keeper does, and reads back, whatever its letters."""
    name = "Süd \U00020bb7"
    file = (
        f'[[rack]]\nname = "left"\n[[enclosure]]\nname = "{name}"\nrack = "left"\n'
        f'[[probe]]\nname = "p1"\nenclosure = "{name}"\ndriver = "simulated"\n'
    )
    lines = "\n".join(file_lines(parse(file.encode(), Path("rack.toml"), ReplayConfig), name))
    assert f'name = "{name}"' in lines
    assert tomllib.loads(lines)["enclosure"][0]["name"] == name
