"""A rack said by shelf and place means what the same rack written out tub by tub means."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewkeeper_config.errors import ConfigInvalid, Problem
from dewkeeper_config.loading import ReplayConfig, parse
from dewkeeper_config.models import Config
from dewkeeper_config.sketch import RackSketch, sketched
from dewkeeper_config.written import written_out

FORTY = """
[site]
name = "Snake room"
timezone = "Europe/Vienna"

[[bus]]
name = "i2c1"
multiplexers = [{ address = 0x70 }, { address = 0x71 }, { address = 0x72 }]

[[rack]]
name = "left"
room = "snake room"
shelves = [4, 4, 4, 4, 4, 4, 4, 4, 4, 4]
tubs = "{letter}{place}"

[rack.each]
levers = ["misting", "bowl_size"]
limits = { delays = { dry_target_minutes = 120 } }

[rack.probe]
bus = "i2c1"
multiplexers = [0x70, 0x71, 0x72]
placement = "cool end"

[rack.exceptions]
"shelf 3" = { profile = "hatchling" }
"A1, B2" = { limits = { temperature_danger = 37 } }
D2 = { heater = false, probe = { multiplexer = 0x72, channel = 7, address = 0x44, serial = 77 } }
J4 = { empty = true }

[[probe]]
name = "room"
role = "room"
room = "snake room"
bus = "i2c1"
multiplexer = 0x72
channel = 6
address = 0x45

[[channel]]
kind = "webhook"
name = "phone"
url = { credential = "phone_url" }

[[person]]
name = "Marit"
channels = ["phone"]
"""


def forty_written_out() -> str:
    """Return the same rack as its keeper would have had to write it: every tub and every probe, by arithmetic."""
    head, tail = FORTY.split("\n[[rack]]")[0], "[[channel]]" + FORTY.split("[[channel]]")[1]
    lines = ["[[rack]]", 'name = "left"', 'room = "snake room"', ""]
    probes: list[str] = []
    for index in range(40):
        name, channel = f"{'ABCDEFGHIJ'[index // 4]}{index % 4 + 1}", index // 2
        if name == "J4":
            continue
        danger = ", temperature_danger = 37" if name in ("A1", "B2") else ""
        lines += ["[[enclosure]]", f'name = "{name}"', 'rack = "left"', f"shelf = {index // 4 + 1}",
                  f"place = {index % 4 + 1}", 'levers = ["misting", "bowl_size"]',
                  f"limits = {{ delays = {{ dry_target_minutes = 120 }}{danger} }}",
                  *(['profile = "hatchling"'] if name[0] == "C" else []),
                  *(["heater = false"] if name == "D2" else []), ""]  # fmt: skip
        wired = [f"multiplexer = {0x70 + channel // 8}", f"channel = {channel % 8}", f"address = {0x44 + index % 2}"]
        if name == "D2":
            wired = ["multiplexer = 0x72", "channel = 7", "address = 0x44", "serial = 77"]
        probes += ["[[probe]]", f'name = "{name.lower()}"', f'enclosure = "{name}"', 'bus = "i2c1"', *wired,
                   'placement = "cool end"', ""]  # fmt: skip
    room = "[[probe]]" + FORTY.split("[[probe]]")[1].split("[[channel]]")[0]
    return "\n".join([head, *lines, *probes, room, tail])


def read(text: str) -> Config:
    """Return the configuration in a text."""
    return parse(text.encode(), Path("rack.toml"))


def test_forty_tubs_behind_multiplexers_take_sixty_lines_at_most_and_mean_the_file_written_out() -> None:
    """The issue's own rack: at most 60 lines, and not a byte of what it means differs from the long file."""
    assert len(FORTY.strip().splitlines()) <= 60
    long = forty_written_out()
    assert len(long.splitlines()) > 600
    assert read(FORTY) == read(long)


def test_what_was_given_of_the_limits_is_the_same_as_well() -> None:
    """What is laid over a profile is what was given, not the default of what was not."""
    short, long = read(FORTY), read(forty_written_out())
    for one, other in zip(short.enclosure, long.enclosure, strict=True):
        assert one.limits is not None
        assert other.limits is not None
        assert one.limits.given == other.limits.given


@pytest.mark.parametrize("text", [FORTY, forty_written_out()])
def test_what_is_shown_reads_back_as_the_same(text: str) -> None:
    """`config show` prints a file that means the same, and prints that one the same again."""
    shown = written_out(read(text))
    assert read(shown) == read(text)
    assert written_out(read(shown)) == shown
    assert "exceptions" not in shown


def test_a_secret_of_the_file_is_not_shown(rack_text: str) -> None:
    """What stands in the file as text is replaced by a place where no secret is; the rest stays."""
    shown = written_out(read(rack_text))
    assert "T0PSECRET" not in shown
    assert shown.count('{ env = "NOT_SHOWN" }') == 4  # the first line says so, then url, user and password
    assert read(shown).enclosure == read(rack_text).enclosure


def test_an_empty_place_moves_nobody(rack_text: str) -> None:
    """A tub taken out leaves every other one on its wires."""
    before = {probe.name: probe for probe in read(FORTY).probe}
    after = {probe.name: probe for probe in read(FORTY.replace("J4 = {", '"A2, J4" = {')).probe if probe.name != "a2"}
    assert {name: before[name] for name in after} == after
    assert "a2" not in {probe.name for probe in after.values()}


def test_a_row_of_buses_is_each_of_them() -> None:
    """Channels of the kernel's multiplexers: a row of numbers, and the rack takes them in order."""
    text = FORTY.replace(
        "multiplexers = [{ address = 0x70 }, { address = 0x71 }, { address = 0x72 }]",
        'numbers = "30-49, 52"\nadapter = "i2c9"',
    )
    text = text.replace("multiplexers = [0x70, 0x71, 0x72]\n", "").replace(
        "multiplexer = 0x72, channel = 7, ", 'bus = "i2c1 52", '
    )
    text = text.replace(
        'bus = "i2c1"\nmultiplexer = 0x72\nchannel = 6\naddress = 0x45', 'bus = "i2c1 52"\naddress = 0x45'
    )
    config = read(text)
    assert [bus.number for bus in config.bus] == [*range(30, 50), 52]
    assert {bus.adapter for bus in config.bus} == {"i2c9"}
    wired = {probe.name: (probe.bus, probe.address) for probe in config.probe}
    assert wired["a1"] == ("i2c1 30", 0x44)
    assert wired["j3"] == ("i2c1 49", 0x44)
    assert wired["d2"] == ("i2c1 52", 0x44)


# --- every way to be wrong, with its line ----------------------------------------------------------------------------


def problems(text: str) -> list[Problem]:
    """Return what is wrong with a text that must be refused."""
    with pytest.raises(ConfigInvalid) as caught:
        read(text)
    return list(caught.value.problems)


WRONG = [
    # what is replaced, by what, the key named, a word of what is allowed; and, where it is another, what stands on the line
    ("shelves = [4, 4, 4,", "shelves = [4, 400, 4,", 'rack[1] "left" .shelves[2]', "0 to 99"),
    ("shelves = [4, 4, 4, 4, 4, 4, 4, 4, 4, 4]", "shelves = []", 'rack[1] "left" .shelves', "how many places"),
    ("shelves = [4, 4, 4, 4, 4, 4, 4, 4, 4, 4]", f"shelves = {[99] * 11}", 'rack[1] "left" .shelves', "1023 at most"),
    ("shelves = [4, 4, 4, 4, 4, 4, 4, 4, 4, 4]", f"shelves = {[1] * 27}", 'rack[1] "left" .tubs', "shelf 27", "tubs ="),
    ('tubs = "{letter}{place}"', 'tubs = "{leter}{place}"', 'rack[1] "left" .tubs', "{letter}"),
    ('tubs = "{letter}{place}"', 'tubs = "{letter"', 'rack[1] "left" .tubs', "{letter}"),
    ('tubs = "{letter}{place}"', 'tubs = "{letter}"', 'rack[1] "left" .tubs', "of its own"),
    ('levers = ["misting", "bowl_size"]', 'lever = ["misting"]', 'rack[1] "left" .each.lever', "levers"),
    ("dry_target_minutes = 120", "dry_target_minutes = 0", 'rack[1] "left" .each.limits.delays.dry_target_minutes', "above 0"),
    ('bus = "i2c1"\nmultiplexers', 'bus = "i2c2"\nmultiplexers', 'rack[1] "left" probe "a1" .bus', "i2c1"),
    ("multiplexers = [0x70, 0x71, 0x72]", "multiplexers = [0x70, 0x71]", 'rack[1] "left" .probe', "each of the 40 places", "[rack.probe]"),
    ("multiplexers = [0x70, 0x71, 0x72]", "multiplexers = [0x70, 0x73, 0x72]", 'rack[1] "left" probe "e1" .multiplexer', "0x72"),
    ('placement = "cool end"', 'name = "{tubb}"', 'rack[1] "left" .probe.name', "{tub}"),
    ("J4 =", "K4 =", 'rack[1] "left" .exceptions.K4', "A1"),
    ("J4 =", '"shelf 11" =', 'rack[1] "left" .exceptions.shelf 11', "shelf 1"),
    ("J4 =", "C4 =", 'rack[1] "left" .exceptions.C4', "one exception only"),
    ("J4 = { empty = true }", "J4 = { empty = 1 }", 'rack[1] "left" .exceptions.J4.empty', "true or false"),
    ('profile = "hatchling"', 'profile = "boa"', 'rack[1] "left" tub "C1" .profile', "hatchling"),
    ("temperature_danger = 37", "temperature_danger = 20", 'rack[1] "left" tub "A1" .limits.temperature_danger', "above"),
    ("channel = 7, address = 0x44", "channel = 0, address = 0x44", 'rack[1] "left" probe "i1" .address', "twice", 'bus = "i2c1"\nmult'),
    ("channel = 7", "channel = 8", 'rack[1] "left" .exceptions.D2.probe.channel', "0 to 7"),
    ("channel = 6\naddress = 0x45", "channel = 0\naddress = 0x45", 'probe[1] "room" .address', "twice"),
    ('name = "i2c1"', 'name = "i2c1"\nnumbers = "40-30"', 'bus[1] "i2c1" .numbers', "lower first"),
    ('name = "i2c1"', 'name = "i2c1"\nnumbers = "250-260"', 'bus[1] "i2c1" .numbers', "0 to 255"),
    ('name = "i2c1"', 'name = "i2c1"\nnumbers = "30 to 37"', 'bus[1] "i2c1" .numbers', "30-37"),
    ('name = "i2c1"', 'name = "i2c1"\nnumber = 1\nnumbers = "30"', 'bus[1] "i2c1" .number', "not both"),
    ("[[channel]]", '[[enclosure]]\nname = "Z"\nrack = "left"\nshelf = 2\nplace = 2\n\n[[channel]]', 'enclosure[1] "Z" .place', 'tub "B2"'),
]  # fmt: skip


@pytest.mark.parametrize("case", WRONG, ids=lambda case: f"{case[1]} {case[2]}")
def test_what_a_rack_gets_wrong_is_told_with_the_line_it_stands_on(case: tuple[str, ...]) -> None:
    """Every refusal names the entry, the line of the value, and what would do."""
    old, new, key, word, *where = case
    assert old in FORTY
    text = FORTY.replace(old, new, 1)
    at = text[: text.index(where[0] if where else new)].count("\n") + 1
    lines = [at] if where else range(at, at + new.count("\n") + 1)
    told = {problem.key: problem for problem in problems(text)}
    assert key in told, list(told)
    assert word in told[key].allowed
    assert told[key].line in lines


def test_a_bad_value_for_all_is_told_once() -> None:
    """Forty tubs share it; it is one slip."""
    assert len(problems(FORTY.replace('levers = ["misting", "bowl_size"]', 'levers = ["prayer"]'))) == 1


def test_one_slip_hides_no_other() -> None:
    """A slip in each table, a heading that is no TOML and a value of one: every one is told, each on its line."""
    text = FORTY.replace('timezone = "Europe/Vienna"', "timezone = Europe").replace("channels = [", "channels = [1, ")
    text = text.replace('"shelf 3" = { profile', '"shelf 3" = { profil').replace('kind = "webhook"', 'kind "webhook"')
    text = text.replace('bus = "i2c1"\nmultiplexer = 0x72', 'bus = "other"\nmultiplexer = 0x72')
    expected = ["timezone =", '"shelf 3"', 'bus = "other"', 'kind "webhook"', "channels = ["]
    told = sorted(problems(text), key=lambda problem: problem.line or 0)
    assert [problem.line for problem in told] == [text[: text.index(part)].count("\n") + 1 for part in expected]


# --- racks at random -------------------------------------------------------------------------------------------------

SKETCHES = st.builds(
    RackSketch,
    name=st.sampled_from(["left", "Rack 2", "unter dem Fenster"]),
    room=st.sampled_from(["room", "snake room"]),
    shelves=st.lists(st.integers(0, 6), min_size=1, max_size=12).filter(lambda shelves: 0 < sum(shelves) < 60),
    tubs=st.sampled_from(["{letter}{place}", "{number}", "T{number:03}", "{shelf}.{place}", "tub {shelf}-{place}"]),
    profile=st.sampled_from(["adult", "hatchling", "quarantine"]),
    driver=st.sampled_from(["sht31d", "sht4x"]),
    numbers=st.just(tuple(range(30, 62))) | st.just((1,)),
    room_probe=st.booleans(),
)


@settings(max_examples=60)
@given(rack=SKETCHES)
def test_whatever_rack_is_sketched_every_place_has_its_tub_and_every_tub_its_own_wires(rack: RackSketch) -> None:
    """Names, shelves, places and wires follow from the answers alone, none twice, and the file shown means the same."""
    if len(rack.numbers) == 1:
        rack = replace(rack, multiplexers=tuple(range(0x70, 0x78)))
    config = parse(sketched(rack).encode(), Path("sketch"), ReplayConfig)
    places = [(shelf, place) for shelf, many in enumerate(rack.shelves, 1) for place in range(1, many + 1)]
    assert [(one.shelf, one.place) for one in config.enclosure] == places
    assert {one.profile for one in config.enclosure} == {rack.profile}
    judged = [probe for probe in config.probe if probe.role == "substrate"]
    assert [probe.enclosure for probe in judged] == [one.name for one in config.enclosure]
    wires = [(probe.bus, probe.multiplexer, probe.channel, probe.address) for probe in config.probe]
    assert len(set(wires)) == len(wires) == len(places) + rack.room_probe
    assert parse(written_out(config).encode(), Path("shown"), ReplayConfig) == config


@pytest.mark.parametrize("shelves", [[1], [8, 8], [4] * 10])
def test_a_sketch_of_a_rack_is_short(shelves: Sequence[int]) -> None:
    """However many tubs: no more lines than one rack takes."""
    assert len(sketched(RackSketch("left", "room", shelves, multiplexers=(0x70, 0x71, 0x72))).splitlines()) < 40


def test_the_order_of_the_file_decides_nothing(fresh_rack: Callable[[], Any]) -> None:
    """Probes and enclosures written beside a rack's own stand after them, under their own numbers."""
    text = FORTY + '\n[[enclosure]]\nname = "Viv"\nrack = "left"\nshelf = 11\nplace = 1\nprofile = "boa"\n'
    assert [problem.key for problem in problems(text)] == ['enclosure[1] "Viv" .profile']
