"""Commands that only read are answered by the running daemon, and nobody can tell but by how fast it goes."""

from __future__ import annotations

import contextlib
import io
import json
import re
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from tests.cli.test_cli_start import HEAVY
from tests.daemon.conftest import Phone, Racks
from tests.web.test_web_words import OTHER_DATES

from dewkeeper.cli import delegate, main
from dewkeeper.cli.delegated import answers
from dewkeeper.cli.output import LONGEST_PRINTOUT, OUT, Printout, PrintoutTooLong
from dewkeeper.errors import CommandRefused
from dewkeeper.service.client import request
from dewkeeper.service.control import ControlSocket
from dewkeeper_config.models import Storage

READING = (
    ["now"], ["morning"], ["morning", "--all"], ["history", "T1", "--for", "1h"], ["history", "t2"], ["alarms"],
    ["journal", "list"], ["journal", "list", "T1", "--replaced"], ["animals"], ["animals", "pip"], ["changes"],
    ["known"], ["known", "T1"], ["known", "T9"],
    ["history", "T9"], ["journal", "list", "T9"], ["animals", "Nobody"], ["animals", "Nob\udcf6dy"],
)  # fmt: skip


class House:
    """A daemon after a dry hour, with something in its journal; it counts what it answers."""

    def __init__(self, folder: Path, url: str) -> None:
        self.racks = Racks(folder, url)
        self.file = folder / "rack.toml"
        self.file.write_text(self.racks.text(2, humidity_percent=48.0))
        self.other = folder / "other.toml"
        self.other.write_text(self.file.read_text() + "\n# the same, by another file\n")
        config = self.racks.config(2, humidity_percent=48.0)
        self.count = 0
        ((verb, answer),) = answers(config, self.file.read_bytes()).items()

        def counted(message: dict[str, Any]) -> Mapping[str, Any]:
            reply = answer(message)
            self.count += 1
            return reply

        self.daemon = self.racks.start(config, answers={verb: counted})
        self.racks.clock.advance(4200)
        for words in (["T1", "moved_in", "Pip"], ["T2", "misted", "ganz \u201eleicht\u201c \u2013 \u00fcberall"]):
            enclosure, what, detail = words
            self.daemon.handle({"do": "journal", "enclosure": enclosure, "what": what, "detail": detail, "who": "Ina"})
        self.daemon.handle({"do": "out_of_service", "enclosure": "T2", "why": "empty", "who": "Ina"})
        self.racks.clock.advance(120)

    def says(
        self, file: Path, words: list[str], encoding: str = "utf-8", at: float | None = None
    ) -> tuple[int, bytes, str]:
        """Return exit code, output and complaints of a command, all as of one moment (`at`, UTC seconds: another than now)."""
        out, error = io.TextIOWrapper(io.BytesIO(), encoding=encoding), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(error):
            code = main([*words, "--config", str(file)], clock=self.racks.clock.wall if at is None else lambda: at)
            out.flush()
            said = out.buffer
        assert isinstance(said, io.BytesIO)
        return code, said.getvalue(), error.getvalue()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Return a house whose messages reach a phone."""
    with Phone() as phone:
        made = House(tmp_path, phone.url)
        yield made
        made.racks.stop_all()


def test_with_and_without_the_daemon_a_command_says_the_same(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command that reads, as table and as JSON, on wide, narrow and Latin-1 terminals: same text, complaints, exit code."""
    for columns, encoding, form in (
        ("120", "utf-8", "table"),
        ("44", "latin-1", "table"),
        ("80", "latin-1", "json"),
        ("80", "utf-8", "json"),
    ):
        monkeypatch.setenv("COLUMNS", columns)
        for words in READING:
            given = [*words, "--format", form]
            before = house.count
            answered = house.says(house.file, given, encoding)
            assert house.count == before + 1, f"{given} was not answered by the daemon"
            assert answered == house.says(house.other, given, encoding), given
            assert house.count == before + 1, f"{given} of another file was answered by the daemon"


def test_every_command_that_reads_writes_dates_in_the_one_form(house: House) -> None:
    """What the terminal prints of moments, months later too, has the date as page and messages have it."""
    later = house.racks.clock.wall() + 3 * 86400
    for words in [
        *READING,
        ["report", "alarms"],
        ["report", "away"],
        ["round"],
        ["sheds"],
        ["vet-sheet", "Pip"],
        ["notify", "status"],
        ["probes", "calibrations"],
    ]:
        said = house.says(house.other, words, at=later)[1].decode()
        assert re.findall(OTHER_DATES, said) == [], words


def test_every_command_that_reads_gives_programs_moments_by_one_form(house: House) -> None:
    """In JSON no moment is a number: it is ISO 8601 in UTC, as in every file that is read by programs."""

    def numbers(value: Any) -> Iterator[float]:
        if isinstance(value, dict | list):
            for one in value.values() if isinstance(value, dict) else value:
                yield from numbers(one)
        elif isinstance(value, int | float):
            yield value

    for words in READING:
        said = house.says(house.other, [*words, "--format", "json"])[1]
        assert not [number for number in numbers(json.loads(said or b"null")) if number > 1e9], words


def test_an_answered_command_loads_no_library(house: House) -> None:
    """What the daemon answers costs the start of Python and of the command line, no database, no models."""
    code = (
        "import json, sys; from dewkeeper.cli import main\n"
        "code = main(sys.argv[1:]); sys.stderr.write(json.dumps(sorted(sys.modules))); sys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "alarms", "--config", str(house.file)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1  # the first tub is dry
    assert "too dry" in done.stdout
    modules = {name.partition(".")[0] for name in json.loads(done.stderr)}
    assert not {*HEAVY, "sqlite3", "dewkeeper_config", "dewkeeper_drivers"} & modules


def test_only_what_reads_is_answered(house: House) -> None:
    """Whoever asks the socket for a command that changes something, or for none, is refused; nothing is changed."""
    ours: dict[str, Any] = {
        "do": "answer",
        "file": delegate.digest(house.file.read_bytes()),
        "edition": delegate.edition(),
    }
    ours |= {"now": 1_800_000_000, "width": 80, "utf8": True}
    for words in (["journal", "add", "T1", "misted"], ["backup"], ["run"], ["now", "--nonsense"], [], ["--help"]):
        with pytest.raises(CommandRefused):
            request(house.racks.folder, {**ours, "words": words})
    for broken in ({"words": 3}, {"words": ["now"], "now": "x"}, {"words": ["now"], "width": None}, {}):
        with pytest.raises(CommandRefused):
            request(house.racks.folder, {**ours, **broken})
    with pytest.raises(CommandRefused, match="another configuration file, or another version"):
        request(house.racks.folder, {**ours, "words": ["now"], "edition": "older"})
    assert b"Pip" in house.says(house.file, ["journal", "list"])[1]
    assert house.says(house.file, ["journal", "list"])[1].count(b"\n") == 3


def test_a_busy_an_older_and_no_daemon_leave_the_command_to_itself(house: House) -> None:
    """While one answer is made the next command reads for itself, as it does beside a daemon that knows no answers."""
    expected = house.says(house.file, ["now"])
    house.racks.stop_all()
    begun, go_on = threading.Event(), threading.Event()

    def slow(message: dict[str, Any]) -> Mapping[str, Any]:
        begun.set()
        assert go_on.wait(60)
        return {"code": 0, "said": [[OUT, "at last"]]}

    def alive(message: dict[str, Any]) -> Mapping[str, Any]:
        return {}

    busy = ControlSocket(house.racks.folder, {"alive": alive}, {"answer": slow})
    busy.start()
    told: list[Mapping[str, Any]] = []
    first = threading.Thread(target=lambda: told.append(request(house.racks.folder, {"do": "answer"}, 60)))
    first.start()
    try:
        assert begun.wait(60)
        assert house.says(house.file, ["now"]) == expected
        assert request(house.racks.folder, {"do": "alive"}) == {}
        with pytest.raises(CommandRefused, match="busy"):
            request(house.racks.folder, {"do": "answer"})
    finally:
        go_on.set()
        first.join()
        busy.stop()
    assert told == [{"code": 0, "said": [[OUT, "at last"]]}]
    assert house.says(house.file, ["now"]) == expected  # no daemon
    older = ControlSocket(house.racks.folder, {"alive": alive})
    older.start()
    try:
        assert house.says(house.file, ["now"]) == expected
    finally:
        older.stop()


def test_a_file_that_is_no_configuration_is_refused_in_words(house: House) -> None:
    """A damaged, an endless and a hostile file are met by the configuration's own reader, whatever daemon runs."""
    for text in ("storage = 3\n", "[storage]\nfolder = 3\n", "nonsense", "a" + ".a" * 100_000 + " = 1", "[" * 100_000):
        house.other.write_text(text)
        code, said, complaint = house.says(house.other, ["now"])
        assert (code, said) == (2, b"")
        assert str(house.other) in complaint


def test_a_printout_is_bounded() -> None:
    """What is too long for a reply is given up while it is written down, not afterwards."""
    written = Printout(width=80, utf8=True)
    line = "x" * 1000
    for _ in range(LONGEST_PRINTOUT // len(line)):
        written.write(OUT, line)
    with pytest.raises(PrintoutTooLong):
        written.write(OUT, line)
    assert sum(len(text) for _, text in written.said) == LONGEST_PRINTOUT


def test_the_state_is_looked_for_where_the_configuration_puts_it() -> None:
    """The folder that is taken where the file names none is the configuration's default."""
    assert Path(delegate.DEFAULT_FOLDER) == Storage().folder


def test_beside_a_running_daemon_a_refused_file_stops_nobody(house: House) -> None:
    """While the file is broken, `now`, `journal add` and `ack` go by the daemon's configuration and say so in one line."""
    before, said, nothing = house.says(house.file, ["now"])
    assert nothing == ""
    (alarm,) = [row["alarm"] for row in json.loads(house.says(house.file, ["alarms", "--format", "json"])[1])]
    good = house.file.read_text()
    house.file.write_text(good + "\n[[bus]]\nname = 'i2c1\n")  # an unclosed quote: no TOML at all
    found, out, error = house.says(house.file, ["now"])
    assert (found, out, len(error.splitlines())) == (before, said, 1)
    house.file.write_text(good.replace('timezone = "Europe/Vienna"', 'timezone = "Nowhere"'))
    for words, code, printed in (
        (["now"], before, said), (["journal", "add", "T1", "misted"], 0, None), (["ack", alarm], 0, b"done\n"),
        (["journal", "add", "T2", "moved_in", "Pip"], 0, b"written down\n"),
    ):  # fmt: skip
        found, out, error = house.says(house.file, words)
        assert found == code, (words, error)
        assert printed in (None, out)
        assert len(error.splitlines()) == 1
        assert str(house.file) in error
        assert "dewkeeper config check" in error
    assert house.says(house.file, ["config", "check"])[0] == 2
    house.racks.stop_all()
    code, out, error = house.says(house.file, ["now"])
    assert (code, out) == (2, b"")
    assert "Nowhere" in error


@pytest.mark.parametrize(
    ("detail", "well"), [("1450grams", True), ("1.45 kg", True), ("heavy", False), ("", False), ("3.2 lb", False)]
)
def test_a_weighing_without_a_weight_is_refused(house: House, detail: str, well: bool) -> None:
    """What no weight is read from is not written down: exit 1, and how a weight is written."""
    code, _, error = house.says(house.file, ["journal", "add", "T1", "weighed", *([detail] if detail else [])])
    assert code == (0 if well else 1)
    assert ("`1450 g` or `1.45 kg`" in error) == (not well)
    assert (b"weighed" in house.says(house.file, ["journal", "list"])[1]) == well
