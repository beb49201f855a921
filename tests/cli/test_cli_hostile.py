"""Whatever is typed, fed or plugged in: an answer in words and the right exit code, never a traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tracemalloc
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
from tests.store.conftest import MIDNIGHT, Shelf
from tests.store.plain import settings

from dewkeeper.cli import main
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.readings_file import ReadingsFile, Refusals
from dewkeeper.store.records import Batch

RACK = """
storage = {{ folder = "{folder}/state", ballast_mb = 0, backup = {{ folder = "{folder}/copies" }} }}
[[rack]]
name = "R"
[[enclosure]]
name = "B1"
rack = "R"
[[probe]]
name = "b1"
enclosure = "B1"
driver = "simulated"
[[channel]]
kind = "webhook"
name = "w"
url = "http://127.0.0.1:1/"
[[person]]
name = "M"
channels = ["w"]
"""
HEAD = "time,probe,temperature_c,humidity_pct\n"
ROWS = "".join(f"2026-01-01T00:{minute:02}:00Z,b1,27,60\n" for minute in range(50))
JOURNAL = "time,enclosure,what,detail\n"
RUBBISH = Random(1).randbytes(5000)
FILES: dict[str, str | bytes] = {
    "good.csv": HEAD + ROWS,
    "empty.csv": "",
    "headless.csv": ROWS,
    "header_only.csv": HEAD,
    "strangers.csv": HEAD + ROWS.replace("b1", "z9"),
    "rubbish.csv": HEAD.encode() + RUBBISH,
    "utf16.csv": (HEAD + ROWS).encode("utf-16"),
    "long_cell.csv": HEAD + "2026-01-01T00:00:00Z," + "x" * 200_000 + ",27,60\n" + ROWS,
    "nul.csv": HEAD + "2026-01-01T00:00:00Z,b\0,27,60\n" + ROWS,
    "times.csv": HEAD + "".join(f"{when},b1,27,60\n" for when in ("0001-01-01T00:00:00Z", "0000-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2126-01-01T00:00:00Z", "Z", "2026-W01-1T00Z")) + ROWS,
    "numbers.csv": HEAD + f"2025-12-31T00:00:00Z,b1,1e309,60\n2025-12-31T00:01:00Z,b1,{'9' * 5000},60\n2025-12-31T00:02:00Z,b1,-0x1,60\n" + ROWS,
    "quotes.csv": HEAD + '"2026-01-01T00:00:00Z,b1,27,60\n' * 50,
    "j_long.csv": JOURNAL + "2026-01-01T00:00:00Z,B1,note," + "x" * 200_000 + "\n2026-01-01T00:00:00Z,B1,misted,\n",
    "j_quote.csv": JOURNAL + '2026-01-01T00:00:00Z,B1,note,"open\n' + "2026-01-01T00:00:00Z,B1,misted,\n" * 9,
    "j_nul.csv": JOURNAL + "2026-01-01T00:00:00Z,B1,note,a\0b\n",
    "j_rubbish.csv": JOURNAL.encode() + RUBBISH,
    "j_cells.csv": JOURNAL + "2026-01-01T00:00:00Z,B1\n",
    "j_until.csv": JOURNAL + "2026-01-01T00:00:00Z,B1,opaque,until=9999-99\n2026-01-01T00:00:00Z,B1,opaque,until=0001-01-01T00:00:00Z\n",
    "rubbish.toml": RUBBISH,
    "nul.toml": "[site]\nname = \"\0\"\n",
    "big.toml": f"[site]\npoll_seconds = {'9' * 5000}\n",
    **{f"array{n}.toml": f"a = {'[' * n}{']' * n}\n" for n in (100, 300, 600, 900, 200_000)},
    **{f"table{n}.toml": f"a = {'{a=' * n}1{'}' * n}\n" for n in (100, 300, 600, 100_000)},
    **{f"dots{n}.toml": f"{'.'.join('a' * n)} = 1\n" for n in (30, 800, 3000, 100_000)},
    **{f"keys{n}.toml": f"[{'.'.join('a' * n)}]\nb = 1\n" for n in (30, 800, 3000)},
}  # fmt: skip


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a rack, its history, and many a file that is not what it should be."""
    folder = tmp_path_factory.mktemp("house")
    (folder / "rack.toml").write_text(RACK.format(folder=folder), encoding="utf-8")
    for name, content in FILES.items():
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    shelf = Shelf(folder / "state")
    shelf.store.commit(Batch(items=(settings(MIDNIGHT - 86400, 60, 55, 65),)))
    shelf.put([(MIDNIGHT + 900 * i, "b1", 26000 + i, 40000, True) for i in range(96)])
    shelf.store.commit(Batch(items=(JournalEntry("j1", MIDNIGHT, "B1", "note", "Häutung – “ganz”"),)))
    shelf.store.close()
    return folder


def _types(house: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    named = [str(house / word.removeprefix("@")) if word.startswith("@") else word for word in words]
    if "--config" not in words:
        named += ["--config", str(house / "rack.toml")]
    try:
        code = main(named)
    except SystemExit as error:
        code = int(str(error.code))
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.mark.parametrize(
    "command", [("config", "check"), ("now",), ("replay", "@good.csv")], ids=lambda words: words[0]
)
@pytest.mark.parametrize("file", [*(name for name in FILES if name.endswith(".toml")), "nowhere.toml", "."])
def test_a_configuration_that_is_none_is_refused_in_words(
    house: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...], file: str
) -> None:
    """Rubbish, NUL bytes, a number of 5000 digits, nesting without end, a folder: exit code 2 and what is wrong."""
    code, said, complaint = _types(house, capsys, *command, "--config", f"@{file}")
    assert (code, said) == (2, "")
    assert file.rstrip(".") in complaint
    assert len(complaint) < 3000


@pytest.mark.parametrize(
    ("file", "replays", "imports", "says"),
    [
        ("good.csv", 0, 0, ""),
        ("empty.csv", 1, 1, "it must be time,probe,temperature_c,humidity_pct"),
        ("headless.csv", 1, 1, "it must be time,probe,temperature_c,humidity_pct"),
        ("header_only.csv", 1, 0, ""),
        ("strangers.csv", 1, 0, ""),
        ("rubbish.csv", 1, 1, "not 4 cells"),
        ("utf16.csv", 1, 1, "it must be time,probe,temperature_c,humidity_pct"),
        ("long_cell.csv", 0, 1, "longer than 65536 characters"),
        ("nul.csv", 0, 1, ""),
        ("times.csv", 0, 1, "no ISO 8601 UTC time ending in Z"),
        ("numbers.csv", 0, 1, "not a finite number"),
        ("quotes.csv", 1, 1, "not 4 cells"),
        (".", 1, 1, "Is a directory"),
        ("nowhere.csv", 1, 1, "No such file or directory"),
    ],
)
def test_a_readings_file_that_is_none_is_refused_row_by_row(
    house: Path, capsys: pytest.CaptureFixture[str], file: str, replays: int, imports: int, says: str
) -> None:
    """What can be read is judged and stored, the rest is said with its lines; where nothing is left, exit code 1."""
    for words, code in ((("replay", f"@{file}"), replays), (("import", f"@{file}"), imports)):
        found, _, complaint = _types(house, capsys, *words)
        assert found == code, words
        assert says in complaint
        assert bool(complaint) or not code


@pytest.mark.parametrize(
    ("file", "says"),
    [
        ("j_long.csv", "longer than 65536 characters"), ("j_quote.csv", ""), ("j_nul.csv", ""), ("j_rubbish.csv", "bytes that are not UTF-8"),
        ("j_cells.csv", "wrong number of cells"),
        ("j_until.csv", "after until="), ("empty.csv", "it must be time,enclosure,what"), ("good.csv", "it must be time,enclosure,what"),
        (".", "Is a directory"),
    ],
)  # fmt: skip
def test_a_journal_file_that_is_none_is_refused_row_by_row(
    house: Path, capsys: pytest.CaptureFixture[str], file: str, says: str
) -> None:
    """A cell of 200 kB, a quote that is never closed, rubbish: what is wrong costs its own lines, and is said."""
    for words in (("replay", "@good.csv", "--journal", f"@{file}"), ("import", "--journal", f"@{file}")):
        found, _, complaint = _types(house, capsys, *words)
        assert found in (0, 1)
        assert says in complaint


NEVER = ("0h", "0s", "-1h", "99999999999d", "9" * 5000 + "d", "1e5h", "", "h", "１０" * 200 + "h")


@pytest.mark.parametrize("duration", NEVER, ids=range(len(NEVER)))
@pytest.mark.parametrize(
    "words",
    [
        ("history", "B1", "--for"), ("journal", "list", "--for"), ("changes", "--for"), ("replay", "--since"), ("report", "alarms", "--since"),
        ("suppress", "B1", "--for"), ("away", "--for"), ("service", "out", "B1", "--why", "x", "--for"), ("shelve", "abcd", "--why", "x", "--for"),
    ],
    ids=lambda words: words[0],
)  # fmt: skip
def test_a_duration_that_is_none_is_bad_usage(
    house: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], duration: str
) -> None:
    """Nothing, less than nothing, longer than a hundred years: exit code 2, in one short sentence."""
    code, said, complaint = _types(house, capsys, *words[:-1], f"{words[-1]}={duration}")
    assert (code, said) == (2, "")
    assert "is no duration" in complaint.splitlines()[-1]
    assert len(complaint.splitlines()[-1]) < 250


@pytest.mark.parametrize(
    "at",
    [
        "0001-01-01",
        "9999-12-31",
        "0000",
        "2026-01-01T00:00:00+99:00",
        "99999999d ago",
        "24:61",
        "0001-01-01T00:00+14:00",
        "x" * 5000,
    ],
)
def test_a_moment_that_is_none_is_bad_usage(house: Path, capsys: pytest.CaptureFixture[str], at: str) -> None:
    """Years 0, 1 and 9999, offsets and hours there are not: exit code 2 before the daemon is asked."""
    for words in (
        ("journal", "add", "B1", "misted", "--at", at),
        ("probes", "calibrate", "b1", "--humidity-offset", "1", "--from", at),
    ):
        code, said, complaint = _types(house, capsys, *words)
        assert (code, said) == (2, "")
        assert len(complaint) < 250


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (("history", "\udcff"), {1}), (("animals", "\udcff"), {1}), (("restore", "/x\udcff"), {1}), (("export", "/x\udcff/y"), {1}),
        (("replay", "\udcff.csv"), {1}), (("probes", "check", "\udcff"), {1}), (("probes", "scan", "--bus", "99999999999"), {1}),
        (("probes", "scan", "--bus", "300"), {1}), (("probes", "scan", "--bus", "²"), {1}), (("now", "--config", "\udcff"), {2}),
        (("now", "--config", "a\0b"), {2}), (("journal", "add", "-", "note", "H\udce4utung"), {1}), (("export", "@"), {1}),
        (("export", "/dev/full"), {1}), (("restore", "/dev/null"), {1}), (("restore", "@"), {1}), (("restore", "@rubbish.csv"), {1}),
        (("import", "/dev/null"), {1}), (("import",), {1, 2}), (("probes", "touch", "B1", "--seconds", "1e308"), {2}),
        (("probes", "calibrate", "b1", "--salt", "NaCl", "nan", "inf"), {1, 2}), (("probes", "calibrate", "b1", "--humidity-offset", "nan"), {1}),
        (("config", "rack", "--tubs", "\udcff"), {2}), (("config", "rack", "--empty", "\udcff"), {2}), (("morning", "--night", "0001-01-01"), {2}),
        (("nonsense",), {2}), ((), {2}), (("journal", "correct", "\udcff" * 9, "misted"), {1}), (("ack", "x" * 100_000), {1}),
    ],
)  # fmt: skip
def test_odd_words_are_answered(
    house: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], codes: set[int]
) -> None:
    """Bytes that are no text, folders for files, full devices, numbers beyond all bounds: exit code 1 or 2 and a sentence."""
    code, _, complaint = _types(house, capsys, *words)
    assert code in codes
    assert complaint.strip()


def _process(house: Path, *words: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "dewkeeper", *words, "--config", str(house / "rack.toml")]
    return subprocess.run(
        command, capture_output=True, check=False, env={**os.environ, **environment}, stdin=subprocess.DEVNULL
    )


@pytest.mark.parametrize("encoding", ["latin-1", "ascii"])
def test_a_terminal_without_our_letters_shows_what_it_can(house: Path, encoding: str) -> None:
    """Dashes and quotes become `?` for people; programs get every letter, escaped."""
    done = _process(house, "journal", "list", "--for", "3650d", PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    assert "Häutung ? ?ganz?".encode(encoding, "replace") in done.stdout
    done = _process(house, "journal", "list", "--for", "3650d", "--format", "json", PYTHONIOENCODING=encoding)
    assert "Häutung – “ganz”" in [entry["detail"] for entry in json.loads(done.stdout.decode("ascii"))]


def test_what_would_steer_a_terminal_is_shown_and_not_done(house: Path, tmp_path: Path) -> None:
    """An imported journal with escape sequences (ECMA-48): people see them replaced, programs get every character, as valid JSON."""
    steering = "\x1b]0;title\x07\x1b[2J\x9b31m\x7f"
    (tmp_path / "rack.toml").write_text(RACK.format(folder=tmp_path), encoding="utf-8")
    (tmp_path / "j.csv").write_text(JOURNAL + f"2026-01-01T00:00:00Z,B1,note,{steering}\n", encoding="utf-8")
    assert _process(tmp_path, "import", "--journal", str(tmp_path / "j.csv")).returncode == 0
    listing = ("journal", "list", "--for", "3650d")
    said = _process(tmp_path, *listing, PYTHONIOENCODING="utf-8").stdout.decode()
    assert "title" in said
    assert all(c.isprintable() or c == "\n" for c in said)
    told = _process(tmp_path, *listing, "--format", "json", PYTHONIOENCODING="utf-8").stdout.decode()
    assert all(c.isprintable() or c == "\n" for c in told)
    assert json.loads(told)[0]["detail"] == steering


def test_a_reader_that_goes_away_is_no_error(house: Path) -> None:
    """`dewkeeper commands | head -1`: nothing on standard error."""
    read, write = os.pipe()
    os.close(read)
    for words in (("commands",), ("--help",), ("config", "schema")):
        done = subprocess.run(
            [sys.executable, "-m", "dewkeeper", *words], stdout=write, stderr=subprocess.PIPE, check=False
        )
        assert done.returncode in (0, 1)
        assert done.stderr == b""
    os.close(write)


def test_output_that_cannot_be_written_is_said_in_words(house: Path) -> None:
    """A full disk behind `> file`: exit code 1 and what the system says."""
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "dewkeeper", "commands"], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert (done.returncode, done.stderr) == (1, b"No space left on device\n")


def test_ctrl_c_ends_a_command_quietly(house: Path) -> None:
    """Interrupted while it reads: exit code 130, as shells expect, and no traceback."""
    pipe = house / "pipe.csv"
    os.mkfifo(pipe)
    command = [sys.executable, "-m", "dewkeeper", "replay", str(pipe), "--config", str(house / "rack.toml")]
    # What is started in the background by a shell has the signal ignored, and a child would inherit that.
    heard = signal.signal(signal.SIGINT, signal.default_int_handler)
    with (
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child,
        pipe.open("w") as held,  # opens when the command does
    ):
        held.write(HEAD)
        signal.signal(signal.SIGINT, heard)
        held.flush()
        child.send_signal(signal.SIGINT)
        said, complaint = child.communicate()
    assert (child.returncode, said, complaint) == (130, b"", b"")


def test_a_line_without_end_takes_no_memory(tmp_path: Path) -> None:
    """100 MB without a line end cost one refused line with its number, and a few hundred kilobytes."""
    path = tmp_path / "r.csv"
    with path.open("wb") as file:
        file.write((HEAD + ROWS).encode())
        file.truncate(100_000_000)  # a hole: it reads as NUL bytes
        file.seek(0, os.SEEK_END)
        file.write(b"\n2026-01-01T01:00:00Z,b1,27,60\n")
    refusals = Refusals()
    tracemalloc.start()
    try:
        with closing(ReadingsFile(path)) as readings:
            rows = list(readings.rows({"b1"}, refusals))
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(rows) == 51
    assert refusals.lines == {"longer than 65536 characters": [52]}
    assert most < 2_000_000


@pytest.mark.parametrize("minutes", [45, 3000])
@pytest.mark.parametrize("probes", [1, 3])
def test_a_file_newest_first_is_judged_whole(
    house: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, minutes: int, probes: int
) -> None:
    """As many loggers write it: every row is judged, and what is told is what the same file oldest first tells."""
    text = RACK.format(folder=tmp_path)
    for n in range(2, probes + 1):
        text += f'[[enclosure]]\nname = "B{n}"\nrack = "R"\n[[probe]]\nname = "b{n}"\nenclosure = "B{n}"\ndriver = "simulated"\n'
    (tmp_path / "rack.toml").write_text(text, encoding="utf-8")
    dice = Random(2)
    polls = [
        "".join(
            f"{datetime.fromtimestamp(MIDNIGHT + 60 * minute, UTC):%Y-%m-%dT%H:%M:%SZ},b{n},"
            f"{(40 if 30 < minute % 900 < 200 else 28) + dice.gauss(0, 0.05):.3f},{60 + dice.gauss(0, 0.2):.3f}\n"
            for n in range(1, probes + 1)
        )
        for minute in range(minutes)
    ]
    told = []
    for order in (polls, polls[::-1]):
        (tmp_path / "r.csv").write_text(HEAD + "".join(order), encoding="utf-8")
        code, said, complaint = _types(tmp_path, capsys, "replay", "@r.csv")
        assert code == 0
        assert "refused" not in complaint
        told.append(said)
    assert told[0] == told[1] != ""


def test_two_loggers_of_which_one_lags_are_judged_whole(tmp_path: Path) -> None:
    """Every second row is two hours older than the one before it: the rows are put in order, and none is refused."""
    lines = []
    for minute in range(600):
        for probe, late in (("b1", 0), ("b2", 120)):
            when = datetime.fromtimestamp(MIDNIGHT + 60 * (minute - late), UTC)
            lines.append(f"{when:%Y-%m-%dT%H:%M:%SZ},{probe},27,60\n")
    (tmp_path / "r.csv").write_text(HEAD + "".join(lines), encoding="utf-8")
    refusals = Refusals()
    with closing(ReadingsFile(tmp_path / "r.csv")) as file:
        assert len(list(file.rows({"b1", "b2"}, refusals))) == 1200
    assert refusals.total == 0


@pytest.mark.parametrize(("strangers", "code"), [(49, 0), (51, 1), (100, 1)])
def test_a_replay_that_refused_most_rows_is_not_well(
    house: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, strangers: int, code: int
) -> None:
    """More rows refused than judged: exit code 1, for what it tells, or does not, is worth little; and it is said."""
    rows = [ROWS.splitlines()[0].replace("00:00:00", f"{n // 60:02}:{n % 60:02}:00") for n in range(100)]
    text = "\n".join(row.replace("b1", "z9") if n < strangers else row for n, row in enumerate(rows))
    (tmp_path / "r.csv").write_text(HEAD + text + "\n", encoding="utf-8")
    found, _, complaint = _types(house, capsys, "replay", str(tmp_path / "r.csv"))
    assert found == code
    assert f"{strangers} row(s) refused, unknown probe" in complaint
    assert ("could be judged" in complaint) == bool(code)
