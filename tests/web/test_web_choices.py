"""What the page offers to tap."""

from __future__ import annotations

from dewkeeper.judge.words import JOURNAL, WITHDRAWN
from dewkeeper.report.animal_facts import DESCRIBED
from dewkeeper.web.choices import BY_KEY, CHOICES, asks_for_vet

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
