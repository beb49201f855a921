"""What people type at a running daemon: looking, acknowledging, shelving, writing the journal; and when it is down."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.daemon.conftest import Phone, Racks, past_noon

from dewkeeper.cli import main
from dewkeeper.cli.output import aligned
from dewkeeper.service.daemon import Daemon

DRY_AIR: dict[str, Any] = {"humidity_percent": 48.0, "swing_percent": 0.0}
"""Without a day's swing: now is any hour."""


class Desk:
    """A daemon after dry hours that end now, and a keeper who types."""

    def __init__(self, racks: Racks, capsys: pytest.CaptureFixture[str]) -> None:
        self.racks = racks
        self.file = racks.folder / "rack.toml"
        self.file.write_text(racks.text(2, **DRY_AIR))
        self.daemon: Daemon = racks.start(racks.config(2, **DRY_AIR))
        racks.clock.advance(max(0.0, time.time() - racks.clock.wall()))
        self._capsys = capsys

    def types(self, *words: str) -> tuple[int, str, str]:
        """Return exit code, output and complaints of a command."""
        self._capsys.readouterr()
        try:
            code = main([*words, "--config", str(self.file)])
        except SystemExit as error:
            code = int(str(error.code))
        said = self._capsys.readouterr()
        return code, said.out, said.err

    def json(self, *words: str) -> Any:
        """Return what a command prints for programs."""
        return json.loads(self.types(*words, "--format", "json")[1])


@pytest.fixture(scope="module")
def dry_hours(tmp_path_factory: pytest.TempPathFactory) -> Racks:
    """Return racks whose daemon stored three hours that end now, and stopped. Only to be copied."""
    with Phone() as phone:
        now = time.time()
        racks = Racks(tmp_path_factory.mktemp("dry"), phone.url, wall=now - 3 * 3600, zone=past_noon(now))
        racks.stop_after(racks.start(racks.config(2, **DRY_AIR)), 3 * 3600)
        return racks


@pytest.fixture
def desk(tmp_path: Path, dry_hours: Racks, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """Return a desk whose messages reach a phone; its daemon goes on after those hours until now."""
    shutil.copytree(dry_hours.folder, tmp_path, dirs_exist_ok=True)
    with Phone() as phone:
        made = Desk(Racks(tmp_path, phone.url, wall=dry_hours.clock.wall(), zone=dry_hours.zone), capsys)
        yield made
        made.racks.stop_all()


def test_now_morning_and_history_say_what_is(desk: Desk) -> None:
    """`now` and `history` are well, `morning` asks for a look at the dry tub, and all three speak JSON."""
    code, said, _ = desk.types("now")
    assert code == 0
    assert [line.split()[0] for line in said.splitlines()] == ["where", "T1", "T2"]
    assert "too dry" in said.splitlines()[1]
    assert {row["trust"] for row in desk.json("now")["probes"]} == {"measured"}
    code, said, _ = desk.types("morning")
    assert code == 1
    assert "T1: too dry, now 48 %, limit 55 %, since" in said
    assert "→ refill the bowl" in said
    assert [row["enclosure"] for row in desk.json("morning")["enclosures"]] == ["T1", "T2"]
    code, said, _ = desk.types("history", "T1", "--for", "3h")
    assert code == 0
    assert "T1, humidity in %RH: target 60–70, tolerable 55–80" in said
    assert "T1, temperature in °C: tolerable 24–34, target 27–32 (not judged)" in said
    assert any(0x2800 < ord(c) <= 0x28FF for c in said)
    points = desk.json("history", "T1", "--for", "3h")
    assert len(points) > 30
    assert all(47 < point["humidity_percent"] < 49 for point in points)


def test_an_alarm_is_acknowledged_shelved_and_brought_back(desk: Desk) -> None:
    """The list names the id to type; shelving shows until when; too long and nonsense are refused with the way to write it."""
    code, said, _ = desk.types("alarms")
    assert code == 1
    alarm = said.split()[0]
    assert desk.types("ack", alarm, "--why", "bowl")[0] == 0
    assert "seen" in desk.types("alarms")[1].splitlines()[0]
    assert desk.types("shelve", alarm, "--for", "90m", "--why", "cleaning")[0] == 0
    assert "shelved until " in desk.types("alarms")[1]
    assert desk.json("alarms")[0]["shelved_until"].endswith("Z")
    assert desk.types("unshelve", alarm)[0] == 0
    code, _, complaint = desk.types("shelve", alarm, "--for", "30h", "--why", "cleaning")
    assert (code, "24 hours" in complaint) == (1, True)
    code, _, complaint = desk.types("shelve", alarm, "--for", "3x", "--why", "cleaning")
    assert (code, "write 90m, 8h" in complaint) == (2, True)
    code, _, complaint = desk.types("ack", "zzzz")
    assert (code, "dewkeeper alarms" in complaint) == (1, True)


def test_a_caution_stands_where_the_deed_is_typed(desk: Desk) -> None:
    """Covered mesh names the fire, a heater the cut-out, a wheeze the vet; a misting needs no word more."""
    for words, said in (
        (("mesh_cover_changed", "covered, half"), "fire"), (("mesh_cover_changed", "uncovered"), ""), (("misted",), ""),
        (("heater_changed",), "cut-out"), (("wheeze",), "exotics vet"), (("shed", "spectacle retained"), "Never pull"),
        (("disinfected", "bleach"), "Never mix bleach"), (("handled",), "salmonella"),
    ):  # fmt: skip
        code, out, _ = desk.types("journal", "add", "T1", *words, "--who", "Ina")
        assert code == 0
        first, *more = out.splitlines()
        assert first == "written down"
        assert (said in more[0]) if said else more == [], (words, more)


def test_the_journal_is_written_backdated_and_corrected(desk: Desk) -> None:
    """One line writes an entry an hour back, its beginning of an id corrects it, and the old one can still be seen."""
    assert desk.types("journal", "add", "T1", "misted", "two", "sprays", "--at", "1h ago", "--who", "Ina")[0] == 0
    (entry,) = desk.json("journal", "list")
    assert (entry["what"], entry["detail"], entry["who"]) == ("misted", "two sprays", "Ina")
    assert desk.types("journal", "correct", entry["id"][:8], "refilled", "--who", "Ina")[0] == 0
    (corrected,) = desk.json("journal", "list")
    assert (corrected["what"], corrected["time"], corrected["replaces"]) == ("refilled", entry["time"], entry["id"])
    assert len(desk.json("journal", "list", "--replaced")) == 2
    assert (
        desk.types("journal", "add", "T2", "opaque", "--at", "1d ago", "--until", "2100-01-01", "--who", "Ina")[0] == 0
    )
    stage = desk.json("journal", "list", "T2")[-1]
    assert desk.types("journal", "correct", stage["id"][:8], "opaque", "dull", "--who", "Ina")[0] == 0
    (kept,) = desk.json("journal", "list", "T2")
    assert (kept["detail"], kept["until"]) == ("dull", stage["until"])
    assert desk.types("journal", "correct", kept["id"][:8], "withdrawn", "--who", "Ina")[0] == 0
    assert "bowl refilled" in desk.types("journal", "list", "T1")[1]
    assert "nothing was written down" in desk.types("journal", "list", "T2")[1]
    code, _, complaint = desk.types("journal", "add", "T9", "misted")
    assert (code, "T1, T2" in complaint) == (1, True)
    code, _, complaint = desk.types("journal", "add", "T1", "mistd")
    assert (code, "misted" in complaint) == (1, True)


def test_animals_move_and_keep_their_history(desk: Desk) -> None:
    """Moved from T1 to T2, an animal is listed in T2 and tells both stays with the air measured in each."""
    assert "moved_in NAME" in desk.types("animals")[1]
    desk.types("journal", "add", "T1", "moved_in", "Cinder", "--at", "2h ago")
    desk.types("journal", "add", "T1", "fed", "one", "mouse", "--at", "90m ago")
    desk.types("journal", "add", "T2", "moved_in", "Cinder", "--at", "1h ago")
    assert desk.json("animals")[0]["home"] == "T2"
    code, said, _ = desk.types("animals", "cinder")
    assert code == 0
    lines = said.splitlines()
    assert lines[0].startswith("T2: ")
    assert "48 %" in lines[1]
    assert "fed: one mouse" in lines[2]
    code, _, complaint = desk.types("animals", "Ash the 2nd")
    assert (code, "moved_in 'Ash the 2nd'`" in complaint) == (1, True)


def test_without_the_daemon_reading_goes_on_and_doing_says_so(desk: Desk) -> None:
    """With the daemon stopped the reading commands answer from the database; the others say that it is down."""
    desk.racks.stop_all()
    assert "T1" in desk.types("now")[1]
    assert "too dry" in desk.types("alarms")[1]
    for command in (("ack", "abcd"), ("journal", "add", "T1", "misted"), ("away", "--back")):
        code, _, complaint = desk.types(*command)
        assert (code, "Is it running?" in complaint) == (1, True)


def test_silence_of_everything_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """When no probe has said anything for long, the morning says once that the daemon may be down, not once a tub."""
    with Phone() as phone:
        now = time.time()
        racks = Racks(tmp_path, phone.url, wall=now - 4 * 3600, zone=past_noon(now))
        file = tmp_path / "rack.toml"
        file.write_text(racks.text(2))
        racks.stop_after(racks.start(racks.config(2)), 3600)
    assert main(["morning", "--config", str(file)]) == 1
    said = capsys.readouterr().out
    assert said.count("has read nothing since") == 1
    assert "it does not run" in said
    assert "systemctl status dewkeeper" in said
    assert "T1: unwatched" not in said


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_completion_is_good_shell(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The completion names the commands, and the shell that is installed reads it without complaint."""
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert "morning" in script
    if (program := shutil.which(shell)) is not None:
        subprocess.run([program, "-n"], input=script, text=True, check=True)


def test_bash_completes_a_command(tmp_path: Path) -> None:
    """In a real bash the beginning `mor` becomes `morning`."""
    bash = shutil.which("bash")
    assert bash is not None
    script = subprocess.run(
        [sys.executable, "-m", "dewkeeper", "completion", "bash"], capture_output=True, text=True, check=True
    ).stdout
    (tmp_path / "completion").write_text(script)
    ask = 'source "$1"; COMP_WORDS=(dewkeeper mor); COMP_CWORD=1; _shtab_dewkeeper; echo "${COMPREPLY[@]}"'
    said = subprocess.run(
        [bash, "-c", ask, "ask", str(tmp_path / "completion")], capture_output=True, text=True, check=True
    )
    assert said.stdout.split() == ["morning"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("journal", "list", "T9"), 1, "no enclosure 'T9'; there are: T1, T2"),
        (("changes", "--enclosure", "T9"), 1, "no enclosure 'T9'; there are: T1, T2"),
        (("service", "out", "T1"), 2, "say why"),
        (("suppress", "T1", "--for", "20h"), 1, "a suppression ends within 4 hours"),
        (("away", "--for", "100d"), 1, "away mode ends within 90 days"),
        (("notify", "confirm", "Ina", "pigeon"), 1, "there are: Ina over phone"),
        (("backup", "--drill"), 1, "no backup folder is configured"),
        (("restore",), 1, "no backup folder is configured"),
        (("export", "/nonexistent/x.csv"), 1, "/nonexistent/x.csv: No such file or directory"),
        (("replay", "/nonexistent.csv"), 1, "/nonexistent.csv: No such file or directory"),
        (
            ("replay", "--since", "1d", "--compare", "/nonexistent.toml"),
            2,
            "/nonexistent.toml: No such file or directory",
        ),
        (("probes", "calibrate", "t1"), 2, "say what was read over a salt"),
    ],
)
def test_a_slip_is_answered_in_one_line(desk: Desk, words: tuple[str, ...], code: int, says: str) -> None:
    """Exit code 2 for bad usage, 1 for what cannot be done; one line that says what is wrong and what there is."""
    found, said, complaint = desk.types(*words)
    assert (found, said) == (code, "")
    assert says in complaint
    assert "Errno" not in complaint
    assert len(complaint.splitlines()) == 1


def test_programs_get_times_of_one_form(desk: Desk) -> None:
    """Instants in JSON are ISO 8601 UTC, whatever is asked; what never was is null; what is done until then is said."""
    assert desk.json("changes") == [] or desk.json("changes")[0]["time"].endswith("Z")
    assert desk.json("report", "alarms", "--counts-only")["until"].endswith("Z")
    assert desk.json("notify", "status")[0]["confirmed"] is None
    assert desk.types("journal", "add", "T1", "misted")[0] == 0
    assert desk.json("journal", "list")[0]["entered"].endswith("Z")
    assert "last confirmed" in desk.types("notify", "status")[1].splitlines()[0]
    assert desk.types("suppress", "T1", "--for", "2h")[1].startswith("done, until ")


def test_a_way_is_good_only_when_it_was_confirmed_and_takes_what_is_sent(
    tmp_path: Path, dry_hours: Racks, capsys: pytest.CaptureFixture[str], desk: Desk
) -> None:
    """Never confirmed is no trouble, and not good either; where nobody listens a test is not "sent", and nothing gets through."""
    assert desk.types("notify", "status")[0] == 0
    assert desk.json("notify", "status")[0]["state"] == "not confirmed yet"
    (tmp_path / "deaf").mkdir()
    deaf = Desk(Racks(tmp_path / "deaf", "http://127.0.0.1:9/", wall=time.time(), zone=dry_hours.zone), capsys)
    code, said, _ = deaf.types("notify", "test")
    assert (code, "sent" in said) == (0, False)
    deaf.racks.clock.advance(60)
    assert deaf.types("notify", "status")[0] == 1
    assert deaf.json("notify", "status")[0]["state"] == "not getting through"
    deaf.racks.stop_all()


def test_numbers_stand_to_the_right_and_words_to_the_left() -> None:
    """A column of numbers, of ranges or of times is aligned at its end, its head too; one with a word in it at its beginning."""
    cells = [
        ["where", "lowest", "note"],
        ["T1", "9 % 05:12", "12 min"],
        ["T12", "61 % 04:00", "shelved"],
        ["T3", "–", ""],
    ]
    assert aligned(cells) == [
        "where      lowest  note",
        "T1      9 % 05:12  12 min",
        "T12    61 % 04:00  shelved",
        "T3              –",
    ]
