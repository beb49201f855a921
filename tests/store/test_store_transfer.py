"""Readings leave as files and come back the same."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all

from dewkeeper.interchange import format_time
from dewkeeper.judge.types import Calibration, JournalEntry, SaltPoint
from dewkeeper.store.export import export
from dewkeeper.store.importing import import_journal, import_readings
from dewkeeper.store.records import Batch


def _fill(shelf: Shelf, probes: tuple[str, ...], seed: int) -> None:
    rng = random.Random(seed)
    for day in range(5):
        rows = []
        for i in range(96):
            for probe in probes:
                words = (None, None) if rng.random() < 0.05 else (rng.randrange(26000, 28000), rng.randrange(65536))
                rows.append((MIDNIGHT + day * 86400 + 900 * i, probe, *words, rng.random() > 0.1))
        shelf.put(rows)


def _all(shelf: Shelf) -> dict[str, list[object]]:
    with shelf.history() as history:
        return {probe: list(rows) for probe, rows in raw_all(history, 0, 1 << 40).items()}


def test_two_exports_merge_into_one_archive_without_loss(tmp_path: Path) -> None:
    """Words, verdicts, failures and calibrations of two machines come back; doing it again changes nothing."""
    first, second, both = (Shelf(tmp_path / name) for name in ("first", "second", "both"))
    _fill(first, ("b1", "b2"), 1)
    _fill(second, ("c1",), 2)
    for offset in (9.0, -2.0):  # the second replaces the first, on the other machine too
        salts = (SaltPoint("NaCl", 25.0, 75.3, 74.0, 74.0, 75.3),)
        first.store.commit(
            Batch(items=(Calibration(MIDNIGHT + 86400, "b1", 0.5, offset, 1.01, checked=MIDNIGHT, points=salts),))
        )
    first.store.commit(Batch(items=(JournalEntry("j1", MIDNIGHT, "B1", "misted", "both, sides"),)))
    first.compact()
    both.store.close()
    for shelf, name in ((first, "first.csv"), (second, "second.csv")):
        export(shelf.folder, tmp_path / name)
        for again in (False, True):
            result = import_readings(both.folder, tmp_path / name)
            assert not result.refused
            assert (result.known if again else result.stored) == len(shelf.plain)
            assert (result.stored if again else result.known) == 0
    assert _all(both) == _all(first) | _all(second)
    assert import_journal(both.folder, tmp_path / "first.csv.journal.csv").stored == 1
    assert import_journal(both.folder, tmp_path / "first.csv.journal.csv").known == 1
    both.reopen()
    with first.history() as there, both.history() as here:
        assert here.calibrations().all() == there.calibrations().all()
        assert here.overnight(0, 1 << 40)["b1"] == there.overnight(0, 1 << 40)["b1"]
    assert list(both.store.stream_after(None)) == []  # history, not news
    for shelf in (first, second, both):
        shelf.store.close()


def test_an_interrupted_import_goes_on_where_it_was(tmp_path: Path) -> None:
    """Ended in the middle, the second run stores the rest, reads nothing twice, and its counts are of the whole."""

    class Ended(Exception):
        """As a power cut would."""

    source, target = Shelf(tmp_path / "source"), Shelf(tmp_path / "target")
    _fill(source, ("b1", "b2"), 3)
    target.store.close()
    file = tmp_path / "all.csv"
    export(source.folder, file)
    with file.open("a") as more:
        more.write("2026-09-30T00:00:00Z,b1,1\n")

    def end(share: float) -> None:
        if share > 0.5:
            raise Ended

    with pytest.raises(Ended):
        import_readings(target.folder, file, end)
    shares: list[float] = []
    result = import_readings(target.folder, file, shares.append)
    assert (result.stored, result.known, sum(result.refused.values())) == (len(source.plain), 0, 1)
    assert min(shares) > 0.5
    target.reopen()
    assert _all(target) == _all(source)
    assert not [name for name in target.store.notes() if name.startswith("import")]
    for shelf in (source, target):
        shelf.store.close()


def test_merging_between_readings_keeps_every_verdict(tmp_path: Path) -> None:
    """Rows that fall between bad ones of the other file stay good, and bad ones between good ones stay bad."""
    one, two, both = (Shelf(tmp_path / name) for name in ("one", "two", "both"))
    one.put([(MIDNIGHT + 120 * i, "b1", 27000, 40000, i % 5 != 0 and i % 5 != 1) for i in range(200)])
    two.put([(MIDNIGHT + 120 * i + 60, "b1", 27001, 40001, i % 3 != 0) for i in range(200)])
    both.store.close()
    for shelf, name in ((one, "one.csv"), (two, "two.csv")):
        export(shelf.folder, tmp_path / name)
        import_readings(both.folder, tmp_path / name)
    expected = sorted((*_all(one)["b1"], *_all(two)["b1"]), key=lambda row: row.reading.time)  # type: ignore[attr-defined]
    assert _all(both)["b1"] == expected
    for shelf in (one, two):
        shelf.store.close()


def test_nights_of_a_file_in_order_of_probes_are_whole(tmp_path: Path) -> None:
    """Probes one after the other, each ending elsewhere: every counted reading is in the sums of a night."""
    ends = {"b1": 3 * 86400 + 50, "b2": 86400 + 43000, "b3": 5 * 86400 - 7}
    lines = ["time,probe,temperature_c,humidity_pct"]
    lines += [
        f"{format_time(MIDNIGHT + s)},{probe},27.0,{50 + s % 977 / 50:.2f}"
        for probe, end in ends.items()
        for s in range(0, end, 307)
    ]
    (tmp_path / "in.csv").write_text("\n".join(lines) + "\n")
    shelf = Shelf(tmp_path / "target")
    shelf.store.close()
    assert import_readings(shelf.folder, tmp_path / "in.csv").stored == len(lines) - 1
    shelf.reopen()
    shelf.put([(MIDNIGHT + 6 * 86400, "b1", 27000, 40000, True)])
    with shelf.history() as history:
        for start, end in ((MIDNIGHT, MIDNIGHT + 7 * 86400), (MIDNIGHT + 86400, MIDNIGHT + 2 * 86400)):
            night = history.overnight(start, end)
            for probe in ends:
                rows = history.raw(probe, start, end)
                assert (night[probe].n if rows else 0) == len(rows)
                lowest = night[probe].humidity_min if rows else None
                low = min((row.reading.humidity_percent or 0 for row in rows), default=None)
                assert (lowest.value if lowest else None) == pytest.approx(low)
    shelf.store.close()


def test_bad_rows_are_counted_with_their_reason_and_line(shelf: Shelf, tmp_path: Path) -> None:
    """Every refused row is counted; the good ones are stored."""
    file = tmp_path / "in.csv"
    file.write_text(
        "time,probe,temperature_c,humidity_pct\n"
        "2026-01-01T00:00:00Z,b1,30.0,60.0\n"
        "2026-01-01 00:01,b1,30.0,60.0\n"
        "2026-01-01T00:02:00Z,b1,nan,60.0\n"
        "2026-01-01T00:03:00Z,b1,30.0,130\n"
        "2026-01-01T00:04:00Z,b1,,\n"
        "2026-01-01T00:00:00Z,b1,31.0,60.0\n"
        "2026-01-01T00:05:00Z,b1\n"
    )
    shelf.store.close()
    result = import_readings(shelf.folder, file)
    assert result.stored == 2
    assert sum(result.refused.values()) == 5
    assert sorted(result.first_line.values()) == [3, 4, 5, 7, 8]
    (rows,) = _all(shelf).values()
    assert len(rows) == 2


def test_a_calibration_alone_corrects_what_was_imported_before(tmp_path: Path) -> None:
    """The second import knows every row and brings only a calibration: readings and nights are corrected by it."""
    source, target = Shelf(tmp_path / "source"), Shelf(tmp_path / "target")
    _fill(source, ("b1", "b2"), 4)
    target.store.close()
    for _ in range(2):
        export(source.folder, tmp_path / "all.csv")
        import_readings(target.folder, tmp_path / "all.csv")
        with source.history() as there, target.history() as here:
            assert here.overnight(0, 1 << 40) == there.overnight(0, 1 << 40)
        source.store.commit(Batch(items=(Calibration(MIDNIGHT + 2 * 86400, "b1", -0.5, 6.0),)))
    source.store.close()
