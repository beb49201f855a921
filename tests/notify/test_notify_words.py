"""The words: complete over every kind and happening, short on the lock screen, nothing by symbol or colour alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import get_args
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.judge.types import JournalEntry, Kind
from dewkeeper.judge.words import EXCURSIONS, KINDS
from dewkeeper.notify import message_words
from dewkeeper.notify.phrases import GROUPS
from dewkeeper.notify.told import Happening, Member, Told
from dewkeeper.report.order import ROOMS
from dewkeeper.report.wording import Wording

NOW = 1_790_000_000  # 2026-09-21 16:13:20 in Vienna
WORDING = Wording(ZoneInfo("Europe/Vienna"))
KINDS_ALL: tuple[Kind, ...] = get_args(Kind)
HAPPENINGS: tuple[Happening, ...] = get_args(Happening)


def told(kind: Kind, happening: Happening, **more: object) -> Told:
    """Return something to tell about enclosure B4, since two hours ago."""
    made = Told(
        happening, kind, NOW - 7200, band="tolerable" if kind in EXCURSIONS else None, enclosure="B4", rack="left",
        room="snake room", branch="i2c1 0x70", value=48.0, limit=55.0,
        until=NOW - 600 if happening == "cleared" else None,
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def in_one_line(lines: Sequence[str]) -> str:
    """Return the text with its steps one behind the other, as the judge gives them."""
    return "\n".join(lines).replace(":\n– ", ": ").replace("\n– ", "; ")


@pytest.mark.parametrize("happening", HAPPENINGS)
@pytest.mark.parametrize("kind", KINDS_ALL)
def test_every_kind_has_its_words_for_every_happening(kind: Kind, happening: Happening) -> None:
    """First line of at most 60 characters with enclosure, what, since when and what to do; then sentences, plain text."""
    about = told(kind, happening)
    title = message_words.title(about, WORDING, NOW)
    lines = message_words.lines(about, WORDING, NOW)
    assert len(title) <= message_words.TITLE_LENGTH
    assert title.startswith("B4: ")
    assert "14:13" in title
    assert title.endswith(message_words.action_of(about))
    assert all(line.strip() for line in lines)
    assert all(ord(c) < 0x2600 for c in title + "".join(lines))  # no emoji, no pictographs
    if happening not in ("cleared", "annotated"):
        text = in_one_line(lines)
        consequence = KINDS[kind].consequence.removeprefix(
            "unwatched: "
        )  # the page's word; read aloud it is said elsewhere
        for said in (KINDS[kind].cause, consequence, KINDS[kind].response):
            assert said in text
        assert "Act " in text or "Look now; mend it by " in text  # who reads nothing is looked after at once


@pytest.mark.parametrize("kind", KINDS_ALL)
def test_happenings_of_a_kind_read_differently(kind: Kind) -> None:
    """Raised, escalated, reminded, unanswered, cleared and annotated never share a first line."""
    assert len({message_words.title(told(kind, happening), WORDING, NOW) for happening in HAPPENINGS}) == len(
        HAPPENINGS
    )


@pytest.mark.parametrize("happening", HAPPENINGS)
@pytest.mark.parametrize("kind", KINDS_ALL)
def test_every_kind_can_be_told_of_a_group(kind: Kind, happening: Happening) -> None:
    """A group says how many, where and since when in its first line, and who since when in its text."""
    until = NOW - 30 if happening == "cleared" else None
    members = tuple(Member(f"B{n}", NOW - 60 * n, f"e{n}", until) for n in range(1, 16))
    about = told(kind, happening, enclosure=None, members=members)
    title = message_words.title(about, WORDING, NOW)
    assert title.startswith(("15 tubs in rack left: ", "rack left (15): ", "15 rooms: "))
    assert "14:13" in title
    assert len(title) <= message_words.TITLE_LENGTH
    text = "\n".join(message_words.lines(about, WORDING, NOW))
    assert f"B1 {'from' if until else 'since'} 16:12" in text
    assert "and 3 more" in text


@pytest.mark.parametrize("happening", HAPPENINGS)
@pytest.mark.parametrize("rack", ["left", "living room by the window"])
@pytest.mark.parametrize("kind", ["hot", "heat_stuck_on"])
def test_what_is_urgent_of_a_group_keeps_its_time_and_what_to_do(kind: Kind, rack: str, happening: Happening) -> None:
    """However long the rack's name, the first line says how many, since when and what to do; the place goes before these."""
    until = NOW - 30 if happening == "cleared" else None
    members = tuple(Member(f"B{n}", NOW - 60 * n, f"e{n}", until) for n in range(1, 16))
    about = told(kind, happening, enclosure=None, members=members, priority="urgent", rack=rack, danger=kind == "hot")
    title = message_words.title(about, WORDING, NOW)
    assert title.startswith("15 ")
    assert "14:13" in title
    assert happening in ("cleared", "annotated") or title.endswith(("cool the room", "heat off now")), title


@pytest.mark.parametrize("happening", HAPPENINGS)
@pytest.mark.parametrize("kind", KINDS_ALL)
def test_every_kind_can_be_told_late(kind: Kind, happening: Happening) -> None:
    """Days later the first line has the dates and still fits, and begins with the enclosure and what it is or was."""
    until = NOW - 600 if happening == "cleared" else None
    title = message_words.title(told(kind, happening, until=until), WORDING, NOW + 9 * 86400)
    assert len(title) <= message_words.TITLE_LENGTH
    assert title.startswith("B4: ")
    assert "Mon 21 Sep 14:13" in title


@pytest.mark.parametrize("happening", ["raised", "reminded", "cleared"])
@pytest.mark.parametrize("kind", sorted(set(KINDS_ALL) - ROOMS - {"system"}))
def test_nothing_is_said_of_several_as_of_one(kind: Kind, happening: Happening) -> None:
    """Whatever several tubs have at once, cause and consequence call them neither it nor its, and one tub's steps say that they are for each."""
    until = NOW - 30 if happening == "cleared" else None
    members = tuple(Member(f"B{n}", NOW - 60 * n, f"e{n}", until) for n in range(1, 4))
    for cause in ("", "moisture left", "warmed"):
        text = message_words.lines(told(kind, happening, enclosure=None, members=members, cause=cause), WORDING, NOW)
        said = [line for line in text if line.startswith(("Cause: ", "If nothing is done: "))]
        assert not [line for line in said if re.search(r"\b[Ii]ts?\b", line)]
        assert not [line for line in text if line.startswith("Do:") and re.search(r"the (snake|tub)\b", line)]


@pytest.mark.parametrize("kind", sorted(GROUPS))
def test_a_group_has_one_cause_and_its_own_response(kind: Kind) -> None:
    """Several at once: first line and text ask for the same thing, the shared cause, not for what one alone would need."""
    alone = in_one_line(message_words.lines(told(kind, "raised"), WORDING, NOW))
    group = told(kind, "raised", enclosure=None, members=(Member("B1", NOW, "e1"), Member("B2", NOW, "e2")))
    text = in_one_line(message_words.lines(group, WORDING, NOW))
    assert message_words.action_of(group) == GROUPS[kind].action
    assert f"Do: {GROUPS[kind].response}" in text
    assert "several at once" in text
    assert "several at once" not in alone


@pytest.mark.parametrize("kind", KINDS_ALL)
def test_every_kind_says_when_it_is_not_recorded(kind: Kind) -> None:
    """A message of an event the store refused says so."""
    assert any(
        "Not recorded" in line for line in message_words.lines(told(kind, "raised", recorded=False), WORDING, NOW)
    )
    assert not any("Not recorded" in line for line in message_words.lines(told(kind, "raised"), WORDING, NOW))


def test_the_first_line_of_a_dry_tub() -> None:
    """The most common message, word for word."""
    assert message_words.title(told("dry", "raised"), WORDING, NOW) == "B4: too dry since 14:13 – refill bowl"
    assert message_words.title(told("dry", "raised", band="target"), WORDING, NOW) == (
        "B4: drier than target since 14:13 – refill bowl"
    )
    assert message_words.title(told("dry", "cleared"), WORDING, NOW) == "B4: was too dry 14:13–16:03 – nothing to do"
    assert (
        message_words.title(told("heat_lost", "reminded"), WORDING, NOW)
        == "B4: heater still off since 14:13 – check it"
    )


def test_a_late_message_carries_its_date_and_says_that_it_is_late() -> None:
    """Three days later the hour alone would mislead: the first line has the day, and a line says how late it is."""
    later = NOW + 3 * 86400
    assert "Mon 21 Sep 14:13" in message_words.title(told("dry", "raised"), WORDING, later)
    assert message_words.late_line(NOW, later, WORDING) == "Sent late: this was to go out at Mon 21 Sep 16:13, 3 d ago."


def test_temperatures_are_in_the_unit_of_the_site() -> None:
    """°C and °F, for value and limit; humidity stays what it is."""
    hot = told("hot", "raised", value=36.4, limit=34.0)
    fahrenheit = Wording(ZoneInfo("America/Denver"), fahrenheit=True)
    assert "Now: 36.4 °C, limit 34 °C." in message_words.lines(hot, WORDING, NOW)
    assert "Now: 97.5 °F, limit 93.2 °F." in message_words.lines(hot, fahrenheit, NOW)
    assert "Now: 48 %, limit 55 %." in message_words.lines(told("dry", "raised"), fahrenheit, NOW)


def test_last_journal_entries_and_links_stand_at_the_end() -> None:
    """The last three entries, then the acknowledge link, then the page with the word where it works."""
    entries = [JournalEntry(f"j{n}", NOW - 600 * n, "B4", "misted", f"round {n}") for n in (5, 4, 3, 2, 1)]
    lines = message_words.lines(
        told("dry", "raised"), WORDING, NOW, entries, "http://rack.local:8080/", "http://rack.local:8080/ack/x"
    )
    assert [line for line in lines if line.startswith("Journal")] == [
        "Journal 15:43: misted, round 3", "Journal 15:53: misted, round 2", "Journal 16:03: misted, round 1",
    ]  # fmt: skip
    assert lines[-2].endswith("http://rack.local:8080/ack/x")
    assert (
        lines[-1] == "Page (works in the rack's own network; elsewhere only if you made it so): http://rack.local:8080/"
    )


def test_a_short_heat_that_is_over_still_asks_for_a_look() -> None:
    """Overheating that ended by itself does not read as nothing: the snake, the vet, what shares its plug, the thermostat."""
    said = next(line for line in message_words.lines(told("hot", "cleared"), WORDING, NOW) if line.startswith("Do:"))
    assert all(word in said for word in ("look at the snake", "exotics vet", "other tubs on that plug", "thermostat"))
    standing = " ".join(message_words.lines(told("hot", "raised"), WORDING, NOW))
    assert all(word in standing for word in ("exotics vet", "other tubs on that plug", "thermostat"))
    assert (
        message_words.title(told("hot", "cleared"), WORDING, NOW) == "B4: was too hot 14:13–16:03 – look at the snake"
    )


@given(
    name=st.text(st.characters(categories=("L", "N")), min_size=1, max_size=40),
    kind=st.sampled_from(KINDS_ALL), happening=st.sampled_from(HAPPENINGS), back=st.integers(0, 40 * 86400),
)  # fmt: skip
def test_no_name_breaks_the_first_line(name: str, kind: Kind, happening: Happening, back: int) -> None:
    """Whatever the enclosure is called and however old the story is, the first line fits and begins with its name."""
    about = told(kind, happening, enclosure=name, since=NOW - 7200 - back)
    title = message_words.title(about, WORDING, NOW)
    assert len(title) <= message_words.TITLE_LENGTH
    assert title[:9] == f"{name}: "[:9] or title.startswith(name[:8])


@given(
    kind=st.sampled_from(KINDS_ALL), happening=st.sampled_from(HAPPENINGS),
    value=st.none() | st.floats(-20, 99), until=st.none() | st.integers(0, 1 << 40),
    members=st.lists(st.tuples(st.text(max_size=5), st.integers(0, 1 << 40)), max_size=4),
)  # fmt: skip
def test_facts_survive_storing(
    kind: Kind, happening: Happening, value: float | None, until: int | None, members: list[tuple[str, int]]
) -> None:
    """What is told can be stored as plain values and read back the same, so it can be reworded days later."""
    group = tuple(Member(name, since, "e", until) for name, since in members)
    about = told(kind, happening, value=value, until=until, members=group)
    assert Told.of_facts(about.facts()) == about
