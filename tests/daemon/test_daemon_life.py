"""The life of an alarm over stops of the daemon, and what a keeper can see of it."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import zlib
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.cli import main
from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Reading
from dewkeeper.store import History
from dewkeeper_config.loading import load

DRY = {"humidity_percent": 40.0}


def _standing(racks: Any) -> list[tuple[str, str]]:
    with History.open(racks.folder) as history:
        return [(alarm.kind, alarm.state) for alarm in history.standing()]


def _order(daemon: Any, verb: str, **about: Any) -> None:
    daemon.handle({"do": verb, "who": "Ina", "why": "because", **about})


def test_a_shelf_shows_its_end_and_keeps_it_over_a_restart(racks: Any, phone: Any) -> None:
    """The stored alarm says until when it is shelved, also after it was acknowledged there; it comes back then, told."""
    daemon = racks.start(racks.config(**DRY))
    racks.clock.advance(65 * 60)
    alarm = daemon.writer.alarms[0].alarm
    until = daemon.timeline.now() + 7200
    _order(daemon, "shelve", alarm=alarm, until=until)
    _order(daemon, "acknowledge", alarm=alarm)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert [(a.state, a.shelved_until) for a in history.standing()] == [("shelved", until)]
    daemon = racks.start(racks.config(**DRY))
    assert [(a.state, a.shelved_until) for a in daemon.writer.alarms] == [("shelved", until)]
    racks.clock.advance(7200)
    racks.stop(daemon)
    assert _standing(racks) == [("dry", "acknowledged")]


def test_an_order_dated_ahead_does_not_take_the_judge_along(racks: Any, phone: Any) -> None:
    """An acknowledgement with a time of next year counts as of now: silence of a probe is still noticed."""
    daemon = racks.start(racks.config(fault="drop", fault_after_seconds=3700, fault_for_seconds=3600, **DRY))
    racks.clock.advance(61 * 60)
    _order(daemon, "acknowledge", alarm=daemon.writer.alarms[0].alarm, time=daemon.timeline.now() + 366 * 86400)
    racks.clock.advance(20 * 60)
    assert ("missing", "unacknowledged") in _standing(racks)


def test_started_with_the_clock_behind_every_reading_counts(racks: Any, phone: Any) -> None:
    """Half an hour behind the last reading at the start (no battery clock): no reading is put aside as out of order."""
    daemon = racks.start(racks.config())
    racks.clock.advance(50 * 60)
    racks.stop(daemon)
    racks.clock.step(-1800)
    daemon = racks.start(racks.config())
    racks.clock.advance(20 * 60)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        rows = history.raw("t1", 0, 1 << 40)
        times = [item.time for item in history.stream(0) if isinstance(item, Reading) and item.probe == "t1"]
    assert all(row.quality.counts for row in rows)
    assert len(times) == 51 + 21
    assert times == sorted(set(times))


def test_a_command_that_names_nothing_is_refused(racks: Any, phone: Any) -> None:
    """An alarm nobody knows, a shelf without end or beyond a day: refused in words, nothing stored."""
    daemon = racks.start(racks.config(**DRY))
    racks.clock.advance(65 * 60)
    alarm, now = daemon.writer.alarms[0].alarm, daemon.timeline.now()
    for wrong in ({"alarm": "0000"}, {"alarm": alarm}, {"alarm": alarm, "until": now + 86400 * 2}):
        with pytest.raises(CommandRefused):
            _order(daemon, "shelve", **wrong)
    assert _standing(racks) == [("dry", "unacknowledged")]


def test_an_end_that_no_screen_could_show_is_refused(racks: Any, phone: Any) -> None:
    """The last evening of the calendar is no date any more in some time zones: a stage that ends then is not stored."""
    daemon = racks.start(racks.config(**DRY))
    for far in (253_402_318_740, 1 << 39):
        with pytest.raises(CommandRefused, match="until"):
            _order(daemon, "journal", what="opaque", enclosure="T1", until=far)


def _with(racks: Any, more: str) -> Any:
    """Return a configuration of two simulated tubs with these lines in it."""
    path = racks.folder / "test.toml"
    lines = [
        'site = { name = "Test rack", timezone = "Europe/Vienna", poll_seconds = 60 }',
        f'storage = {{ folder = "{racks.folder}", ballast_mb = 0 }}', "web = { enabled = false }",
        'rack = [{ name = "R", room = "room" }]',
        f'channel = [{{ kind = "webhook", name = "phone", url = "{racks.url}" }}]',
        'person = [{ name = "Ina", channels = ["phone"], quiet_hours = { start = "03:00", end = "03:01" } }]',
        more,
    ]  # fmt: skip
    for name in ("1", "2"):
        lines += [
            f'[[probe]]\nname = "t{name}"\nenclosure = "T{name}"\ndriver = "simulated"\noptions = {{ clock = "daemon test" }}'
        ]
    path.write_text("\n".join(lines), encoding="utf-8")
    return load(path)


TUBS = """
enclosure = [{ name = "T1", rack = "R", limits = { humidity_target = { low = %s, high = 75 } } }, { name = "T2", rack = "R", place = 2 }]
change = { who = "Ina", why = "%s" }
notify = { remind_hours = %s }
"""


def test_every_changed_value_is_logged_with_who_and_why_and_sent_to_nobody(
    racks: Any, phone: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Limits and settings changed between two starts: old, new, who and why can be read back; no message is sent."""
    for low, why, remind in (
        (60, "new rack", 6),
        (58, "dry in winter", 4),
        (57, "dry in winter", 4),
        (57, "dry in winter", 4),
    ):
        daemon = racks.start(_with(racks, TUBS % (low, why, remind)))
        racks.clock.advance(300)
        racks.stop(daemon)
    assert main(["changes", "--config", str(racks.folder / "test.toml"), "--for", "5000d", "--format", "json"]) == 0
    logged = json.loads(capsys.readouterr().out)
    assert [(entry["enclosure"], entry["who"], entry["why"], entry["changed"]) for entry in logged] == [
        ("T1", "Ina", "dry in winter", {"humidity_target.low": "60.0 -> 58.0"}),
        (None, "Ina", "dry in winter", {"notify.remind_hours": "6.0 -> 4.0"}),
        ("T1", "configuration", "", {"humidity_target.low": "58.0 -> 57.0"}),
    ]
    assert phone.messages == []


def _another_version(folder: Path) -> None:
    """Make every stored memory of the judge one that this version refuses."""
    with contextlib.closing(sqlite3.connect(folder / "dewkeeper.db")) as database, database:
        for number, data in database.execute("SELECT id, data FROM snapshot").fetchall():
            memory = zlib.decompress(data).replace(b'"heap":', b'"pile":')
            database.execute("UPDATE snapshot SET data = ? WHERE id = ?", (zlib.compress(memory), number))


def test_after_an_update_alarms_keep_their_names_and_what_was_said_of_them(racks: Any, phone: Any) -> None:
    """The judge's memory is another version's: acknowledged, shelved, out of service and stages hold; nobody is told twice."""
    config = racks.config(enclosures=3, **DRY)
    daemon = racks.start(config)
    _order(daemon, "journal", enclosure="T2", what="quarantine")
    racks.clock.advance(65 * 60)
    alarm = daemon.writer.alarms[0].alarm
    _order(daemon, "acknowledge", alarm=alarm)
    _order(daemon, "out_of_service", enclosure="T3", until=daemon.timeline.now() + 90_000)
    racks.clock.advance(3600)
    before = daemon.writer.judge.alarms()
    racks.stop(daemon)
    told = len(phone.messages)
    for _ in range(2):  # killed before a new memory was stored, it is the same again
        _another_version(racks.folder)
        daemon = racks.start(config)
        racks.clock.advance(1800)
        after = daemon.writer.judge.alarms()
        assert [(a.alarm, a.state, a.since, a.raised) for a in after] == [
            (a.alarm, a.state, a.since, a.raised) for a in before
        ]
        assert set(daemon.writer.judge.out_of_service()) == {"T3"}
        racks.stop(daemon)
    assert len(phone.messages) == told
    assert _standing(racks) == [("dry", "acknowledged")]


def test_after_an_update_what_is_not_found_again_ends(racks: Any, phone: Any) -> None:
    """An alarm that the new version does not raise from the same readings is cleared under its own id, and nothing lingers."""
    daemon = racks.start(racks.config(**DRY))
    racks.clock.advance(65 * 60)
    alarm = daemon.writer.alarms[0].alarm
    racks.stop(daemon)
    _another_version(racks.folder)
    with contextlib.closing(sqlite3.connect(racks.folder / "dewkeeper.db")) as database, database:
        database.executescript("DELETE FROM reading")  # as good as another rule: nothing in the last days speaks for it
    daemon = racks.start(racks.config())
    racks.clock.advance(600)
    racks.stop(daemon)
    assert _standing(racks) == [("dry", "returned_unacknowledged")]
    dry = [told for message in phone.messages for told in phone.told_in(message) if told[0].startswith("dry.")]
    assert dry == [("dry.raised", alarm), ("dry.cleared", alarm)]
