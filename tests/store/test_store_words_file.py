"""An export that was edited, sorted or damaged on its way: what the CSV says holds, and it is said."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all
from tests.store.plain import settings

from dewkeeper.errors import DewkeeperError
from dewkeeper.interchange import format_time, parse_time
from dewkeeper.judge.types import Calibration, JournalEntry, Reading
from dewkeeper.store.export import export, sidecar
from dewkeeper.store.importing import import_journal, import_readings
from dewkeeper.store.records import Batch

Lines = list[list[str]]
STEP_C, STEP_PERCENT = 175 / 65535, 100 / 65535  # one step of the words: SHT3x-DIS data sheet v7, section 4.13
DAY = 86400


def _export(tmp_path: Path, *, calibrated: bool = False) -> Path:
    source, dice = Shelf(tmp_path / "source"), Random(5)
    source.put(
        [
            (
                MIDNIGHT + 60 * n,
                probe,
                *((None, None) if dice.random() < 0.1 else (26000 + 9 * n, 30000 + 11 * n)),
                dice.random() > 0.2,
            )
            for n in range(300)
            for probe in ("b1", "b2")
        ]
    )
    if calibrated:
        source.store.commit(Batch(items=(Calibration(MIDNIGHT + 3600, "b1", -0.4, 3.0, 1.05),)))
    export(source.folder, tmp_path / "all.csv")
    source.store.close()
    return tmp_path / "all.csv"


def _rewritten(path: Path, change: Callable[[Lines], Lines]) -> Lines:
    with path.open(newline="") as file:
        header, *lines = csv.reader(file)
    lines = change(lines)
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *lines])
    return lines


def _stored(folder: Path) -> dict[tuple[str, str], Reading]:
    from dewkeeper.store import History

    with History.open(folder) as history:
        return {
            (format_time(row.reading.time), probe): row.reading
            for probe, rows in raw_all(history, 0, 1 << 40).items()
            for row in rows
        }


def _target(tmp_path: Path) -> Path:
    Shelf(tmp_path / "target").store.close()
    return tmp_path / "target"


def _edited(lines: Lines) -> Lines:
    return [[when, probe, t and f"{float(t) + 1.5:.3f}", h and f"{float(h) - 8:.3f}"] for when, probe, t, h in lines]


def _sorted_by_probe(lines: Lines) -> Lines:
    return sorted(lines, key=lambda cells: (cells[1], cells[0]))


def _without_the_first_hour(lines: Lines) -> Lines:
    return lines[120:]


@pytest.mark.parametrize("calibrated", [False, True])
@pytest.mark.parametrize("change", [_edited, _sorted_by_probe, _without_the_first_hour])
def test_a_csv_that_was_changed_holds_against_the_words_beside_it(
    tmp_path: Path, change: Callable[[Lines], Lines], calibrated: bool
) -> None:
    """Edited, sorted or cut: every reading is what the CSV says, to a step of the words, and how many differ is counted."""
    path, target = _export(tmp_path, calibrated=calibrated), _target(tmp_path)
    lines = _rewritten(path, change)
    result = import_readings(target, path)
    stored = _stored(target)
    assert len(stored) == len(lines) == result.stored
    assert result.unlike > len(lines) * 0.8
    for when, probe, t, h in lines:
        reading = stored[when, probe]
        if t:
            assert reading.temperature_c == pytest.approx(float(t), abs=STEP_C)
            assert reading.humidity_percent == pytest.approx(float(h), abs=1.1 * STEP_PERCENT)
        else:
            assert reading.temperature_c is None


def test_words_that_agree_are_taken_and_nothing_is_said(tmp_path: Path) -> None:
    """Unchanged, with calibrations and failures: raw words come back exactly, and no row is said to differ."""
    path, target = _export(tmp_path, calibrated=True), _target(tmp_path)
    result = import_readings(target, path)
    assert (result.unlike, result.refused) == (0, {})
    source = _stored(tmp_path / "source")
    assert _stored(target) == source
    assert {reading.failure for reading in source.values()} == {None, "crc"}


def test_one_edited_value_is_said_with_its_line(tmp_path: Path) -> None:
    """A single cell corrected by hand: that row is the CSV's, the others keep their words."""
    path, target = _export(tmp_path), _target(tmp_path)

    def correct(lines: Lines) -> Lines:
        row = next(number for number, cells in enumerate(lines) if number > 100 and cells[2])
        lines[row][3] = "55.5"
        return lines

    lines = _rewritten(path, correct)
    changed = next(number for number, cells in enumerate(lines) if cells[3] == "55.5")
    result = import_readings(target, path)
    assert (result.unlike, result.first_unlike) == (1, changed + 2)
    assert _stored(target)[lines[changed][0], lines[changed][1]].humidity_percent == pytest.approx(
        55.5, abs=STEP_PERCENT
    )


@pytest.mark.parametrize(
    "first",
    [
        '{"dewkeeper": 2, "scales": {"b1": "of another driver"}, "calibrations": []}', '{"scales": {"b1": 3}}', '{"scales": [1, 2]}',
        "", "junk", "[]", "3", "null", '{"calibrations": 3}', '{"scales": {}, "calibrations": [{"x": 1}]}', "[" * 100_000,
        '{"scales": {}, "calibrations": [{"time": 1790000000, "probe": "b1", "humidity_gain": 0.0}]}',
        '{"scales": {}, "calibrations": [{"time": 1790000000, "probe": "b1", "humidity_offset_percent": NaN}]}',
        '{"scales": {}, "calibrations": [{"time": 1e999, "probe": "b1"}]}',
        '{"scales": {}, "calibrations": [{"time": 99999999999999999999, "probe": "b1"}]}',
    ],
)  # fmt: skip
def test_a_words_file_that_cannot_be_believed_refuses_the_import_whole(tmp_path: Path, first: str) -> None:
    """An unknown scale, rubbish, a calibration that is none: refused in words, nothing stored, and the store opens again."""
    path, target = _export(tmp_path), _target(tmp_path)
    rows = sidecar(path).read_text(encoding="utf-8").splitlines()[1:]
    sidecar(path).write_text("\n".join([first, *rows]) + "\n", encoding="utf-8")
    with pytest.raises(DewkeeperError, match="Without it beside the CSV"):
        import_readings(target, path)
    assert _stored(target) == {}
    Shelf(target).store.close()


@pytest.mark.parametrize(
    "line",
    ["", "junk", "{}", "[1]", "null", "[99999999, 5, 1, [], null, []]", "[-1, 5, 1, [], null, []]", '[1, 2, "a", 3, null, 4]',
     "[true, true, 1, [], null, []]", '[26000, 30000, 4, ["a,b+c!d"], null, []]', "[" * 100_000, '"' + "x" * 200_000],
)  # fmt: skip
def test_a_broken_line_of_a_words_file_costs_itself_only(tmp_path: Path, line: str) -> None:
    """Rubbish beside a row: that row is stored as the CSV has it, and every other one with its words."""
    path, target = _export(tmp_path), _target(tmp_path)
    lines = sidecar(path).read_text(encoding="utf-8").splitlines()
    lines[7] = line
    sidecar(path).write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = import_readings(target, path)
    assert (result.stored, result.unlike, result.first_unlike) == (600, 1, 8)
    there, here = _stored(tmp_path / "source"), _stored(target)
    assert sum(here[key] != there[key] for key in there) <= 1


def test_a_probe_known_by_another_scale_keeps_its_values(tmp_path: Path) -> None:
    """Words of an SHT4x for a probe that is stored as an SHT3x: other words, the same °C and %RH."""
    path, target = _export(tmp_path), _target(tmp_path)
    (tmp_path / "before.csv").write_text(
        f"time,probe,temperature_c,humidity_pct\n{format_time(MIDNIGHT - 60)},b1,27,60\n"
    )
    import_readings(target, tmp_path / "before.csv")
    facts, *lines = sidecar(path).read_text(encoding="utf-8").splitlines()
    facts = json.dumps({**json.loads(facts), "scales": {"b1": "sht4x", "b2": "sht3x"}})
    sidecar(path).write_text("\n".join([facts, *lines]), encoding="utf-8")

    def as_sht4x(cells: Lines) -> Lines:  # humidity = -6 + 125 word / 65535: SHT4x data sheet, section 4.6
        return [
            [when, probe, t, f"{-6 + 1.25 * float(h):.3f}" if h and probe == "b1" else h] for when, probe, t, h in cells
        ]

    rows = _rewritten(path, as_sht4x)
    import_readings(target, path)
    stored = _stored(target)
    for when, probe, _, h in rows:
        if h:
            assert stored[when, probe].humidity_percent == pytest.approx(float(h), abs=1.1 * STEP_PERCENT)


@pytest.mark.parametrize(
    "when", ["2126-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "1969-12-31T23:59:00Z", "0001-01-01T00:00:00Z"]
)
def test_a_row_from_a_time_that_cannot_be_is_refused_with_what_the_clock_says(tmp_path: Path, when: str) -> None:
    """A century ahead or before 1970, in readings and journal: refused on its line, the rows beside it are stored."""
    target = _target(tmp_path)
    (tmp_path / "r.csv").write_text(
        f"time,probe,temperature_c,humidity_pct\n2026-01-01T00:00:00Z,b1,27,60\n{when},b1,27,60\n2026-01-01T00:01:00Z,b1,27,60\n"
    )
    (tmp_path / "j.csv").write_text(f"time,enclosure,what,detail\n{when},B1,misted,\n2026-01-01T00:00:00Z,B1,misted,\n")
    for result, stored in (
        (import_readings(target, tmp_path / "r.csv"), 2),
        (import_journal(target, tmp_path / "j.csv"), 1),
    ):
        assert result.stored == stored
        ((reason, count),) = result.refused.items()
        assert count == 1
        assert "in the future (this machine's clock: 20" in reason


def _journal(shelf: Shelf) -> set[tuple[object, ...]]:
    with shelf.history() as history:
        return {(e.time, e.enclosure, e.what, e.detail, e.until) for e in history.journal()}


def test_a_journal_comes_back_with_the_ends_of_its_stages(tmp_path: Path) -> None:
    """Detail and end of every entry survive export and import exactly, whatever the keeper wrote in the detail."""
    source, target = Shelf(tmp_path / "source"), Shelf(tmp_path / "target")
    details = [
        "",
        "dull, left eye",
        "until=2026-01-01T00:00:00Z",
        "until=friday",
        'two\nlines, "quoted"',
        "a ",
        "until= ",
    ]
    source.put([(MIDNIGHT, "b1", 26000, 30000, True)])
    source.store.commit(
        Batch(
            items=tuple(
                JournalEntry(
                    f"j{n}{ends}", MIDNIGHT + 60 * n, "B1", "opaque", detail, until=MIDNIGHT + 5 * DAY if ends else None
                )
                for n, detail in enumerate(details)
                for ends in (False, True)
            )
        )
    )
    export(source.folder, tmp_path / "all.csv")
    target.store.close()
    assert import_journal(target.folder, tmp_path / "all.csv.journal.csv").stored == 2 * len(details)
    assert _journal(target) == _journal(source)
    assert import_journal(target.folder, tmp_path / "all.csv.journal.csv").known == 2 * len(details)
    source.store.close()


def test_an_imported_stage_holds_for_its_time(tmp_path: Path) -> None:
    """In blue for a week in March: that week, and no other, is measured by the opaque band; the judge gets it no more."""
    shelf = Shelf(tmp_path / "target")
    march = parse_time("2026-03-01T00:00:00Z")
    shelf.store.commit(Batch(items=(settings(march - DAY, 600, 55, 65),)))
    shelf.store.close()
    (tmp_path / "r.csv").write_text(
        "time,probe,temperature_c,humidity_pct\n"
        + "".join(f"{format_time(march + 600 * n)},b1,27,60\n" for n in range(20 * 144))
    )
    import_readings(shelf.folder, tmp_path / "r.csv")
    (tmp_path / "j.csv").write_text(
        f"time,enclosure,what,detail\n{format_time(march + 5 * DAY)},B1,opaque,until={format_time(march + 12 * DAY)}\n"
    )
    assert import_journal(shelf.folder, tmp_path / "j.csv").stored == 1
    shelf.reopen()
    with shelf.history() as history:
        held = [history.in_force().stage("B1", march + n * DAY + 1)[0] for n in (4, 5, 11, 12)]
        dry = [history.stats("b1", march + n * DAY, march + (n + 1) * DAY) for n in (4, 8, 14)]
    assert held == ["", "opaque", "opaque", ""]
    assert [round(day.below_target_seconds / DAY) for day in dry if day is not None] == [0, 1, 0]
    assert not [item for item in shelf.store.stream_after(None) if isinstance(item, JournalEntry)]
    shelf.store.close()


def test_an_imported_stage_that_still_holds_is_news_to_the_judge(tmp_path: Path) -> None:
    """In quarantine since last week until next month, and shed before that: the next start is given the one, not the other."""
    shelf, now = Shelf(tmp_path / "target"), int(time.time())
    shelf.put([(now - 600, "b1", 26000, 30000, True)])
    shelf.store.close()
    (tmp_path / "j.csv").write_text(
        "time,enclosure,what,detail\n"
        f"{format_time(now - 7 * DAY)},B1,quarantine,until={format_time(now + 30 * DAY)}\n{format_time(now - 9 * DAY)},B1,shed,\n"
    )
    assert import_journal(shelf.folder, tmp_path / "j.csv").stored == 2
    shelf.reopen()
    given = [item for item in shelf.store.stream_after(None) if isinstance(item, JournalEntry)]
    assert [(entry.what, entry.until) for entry in given] == [("quarantine", now + 30 * DAY)]
    shelf.store.close()
