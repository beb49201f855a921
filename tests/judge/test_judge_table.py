"""The state machine of an alarm, pair by pair, against the states of ISA-18.2.

The states and moves are those of the alarm state diagram of ANSI/ISA-18.2 (figure 3 in the 2016 edition; from memory, the
letters are the standard's): normal A, unacknowledged B, acknowledged C, returned unacknowledged D, shelved G, suppressed by
design H, out of service I. Where we differ: D goes to B as a new alarm with an id of its own, the old one ends; and what was
withheld before it was ever told returns to A untold.
"""

from __future__ import annotations

from itertools import product
from typing import get_args

import pytest

from dewkeeper.judge.lifecycle import TABLE, WITHHELD, AlarmInstance
from dewkeeper.judge.types import State

TRIGGERS = ("raise", "acknowledge", "clear", "realarm", "shelve", "suppress", "remove", "release", "forget")
STATES: tuple[State, ...] = get_args(State)

MOVES: dict[tuple[State, str], State] = {
    ("normal", "raise"): "unacknowledged",  # A to B: the alarm occurs
    ("unacknowledged", "acknowledge"): "acknowledged",  # B to C
    ("unacknowledged", "clear"): "returned_unacknowledged",  # B to D: back to normal, nobody saw it
    ("acknowledged", "clear"): "normal",  # C to A
    ("acknowledged", "realarm"): "unacknowledged",  # C to B: acknowledged and not cured
    ("returned_unacknowledged", "acknowledge"): "normal",  # D to A
    ("returned_unacknowledged", "forget"): "normal",  # D ends: after a week, or as another alarm takes its place
    # Any state with a condition to G, H, I; withheld states among themselves; never back from I by shelving.
    **{(state, "shelve"): "shelved" for state in ("normal", "unacknowledged", "acknowledged", "suppressed")},
    **{(state, "suppress"): "suppressed" for state in ("normal", "unacknowledged", "acknowledged")},
    **{
        (state, "remove"): "out_of_service"
        for state in ("normal", "unacknowledged", "acknowledged", "shelved", "suppressed")
    },
    # Seen while withheld: it stays withheld.
    **{(state, "acknowledge"): state for state in ("shelved", "suppressed", "out_of_service")},
}
"""Every move but release and clearing while withheld, which depend on what was told and seen."""


def _life(state: State, *, told: bool = True, acked: bool = False) -> AlarmInstance:
    life = AlarmInstance("a", "dry", "B1", "B1", "p1", "target", 0)
    life.state, life.told, life.acked = state, told, acked
    return life


def test_the_table_has_exactly_the_moves_of_the_standard() -> None:
    """No move is missing and none is in the table that is not named here."""
    withheld = {(state, trigger) for state, trigger in product(WITHHELD, ("release", "clear"))}
    assert set(TABLE) == set(MOVES) | withheld


PAIRS = [(s, t) for s, t in product(STATES, TRIGGERS) if not (s in WITHHELD and t in ("release", "clear"))]


@pytest.mark.parametrize(("state", "trigger"), PAIRS)
def test_each_pair_moves_as_the_standard_says_or_not_at_all(state: State, trigger: str) -> None:
    """The state after each trigger in each state; a pair that is no move changes nothing and tells nothing."""
    life = _life(state, told=state != "normal")
    happening = life.apply(trigger, 100)
    assert life.state == MOVES.get((state, trigger), state)
    if (state, trigger) not in MOVES:
        assert happening is None


RELEASED = {
    # told, seen -> state after, what is told
    (False, False): ("unacknowledged", "raised"),
    (True, False): ("unacknowledged", "back"),
    (True, True): ("acknowledged", "back"),
}


@pytest.mark.parametrize(("state", "told", "acked"), [(s, *k) for s in sorted(WITHHELD) for k in RELEASED])
def test_the_end_of_withholding_tells_what_stands(state: State, told: bool, acked: bool) -> None:
    """Released while it stands: never told, it is raised now; told, it is back where it was, seen or unseen."""
    after, what = RELEASED[told, acked]
    back = {"shelved": "unshelved", "suppressed": "unsuppressed", "out_of_service": "in_service"}[state]
    life = _life(state, told=told, acked=acked)
    assert life.apply("release", 100) == (back if what == "back" else what)
    assert life.state == after
    assert life.told


@pytest.mark.parametrize(("state", "told", "acked"), [(s, *k) for s in sorted(WITHHELD) for k in RELEASED])
def test_over_while_withheld(state: State, told: bool, acked: bool) -> None:
    """Over while withheld: told and unseen, it is still owed a look; seen or never told, it is normal."""
    life = _life(state, told=told, acked=acked)
    happening = life.apply("clear", 100)
    assert life.state == ("returned_unacknowledged" if told and not acked else "normal")
    assert happening == ("cleared" if told else "unsuppressed")
    assert not life.stands
