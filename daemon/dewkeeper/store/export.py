"""Everything that was read, as files that outlive this program.

FILE is the CSV others can read. FILE.words.jsonl beside it makes it lossless: its first line names units, scales and
calibrations, each further line the time, the probe, the raw words and the verdict of the CSV's row on that line.
FILE.journal.csv is the journal, corrected and taken back entries too; `until=TIME` at the end of a detail is when a stage ends.
"""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path
from typing import Any

from dewkeeper.interchange import JOURNAL_HEADER, READINGS_HEADER, format_time, journal_cells
from dewkeeper.judge.types import Calibration
from dewkeeper.store import codec, damage
from dewkeeper.store.archive import all_rows
from dewkeeper.store.database import FOREVER, FileReader, plain_reason
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.history import History
from dewkeeper.store.reading import Decoder


def export(folder: Path, target: Path) -> dict[str, Any]:
    """Write the three files; return how many readings, failed polls and journal entries, and what could not be read.

    Raises StoreError, OSError.
    """
    readings = failed = 0
    history = History.open(folder)
    try:
        with (
            FileReader(folder, longest_seconds=None).question() as connection,
            target.open("w", encoding="utf-8", newline="") as file,
            sidecar(target).open("w", encoding="utf-8") as words,
        ):
            decoder = Decoder(connection)
            rows = csv.writer(file)
            rows.writerow(READINGS_HEADER)
            words.write(json.dumps(_facts(decoder)) + "\n")
            for row in all_rows(connection, 0, FOREVER):
                reading, quality = decoder.decode(*row)
                readings += 1
                failed += row[1] is None or row[2] is None
                rows.writerow(
                    [
                        format_time(reading.time),
                        reading.probe,
                        _number(reading.temperature_c),
                        _number(reading.humidity_percent),
                    ]
                )
                beside = [
                    reading.time,
                    reading.probe,
                    row[1],
                    row[2],
                    quality.flag,
                    list(quality.tests),
                    reading.failure,
                    list(reading.notes),
                ]
                words.write(json.dumps(beside, separators=(",", ":")) + "\n")
            missing = list(damage.blocks(connection, damage.forget(connection)).values())
        journal = history.journal(0, replaced=True)
        with target.with_name(target.name + ".journal.csv").open("w", encoding="utf-8", newline="") as file:
            lines = csv.writer(file)
            lines.writerow(JOURNAL_HEADER)
            lines.writerows(journal_cells(entry) for entry in journal)
    except sqlite3.Error as error:
        raise StoreUnusable(plain_reason(error)) from error
    finally:
        history.close()
    return {
        "readings": readings,
        "failed": failed,
        "journal": len(journal),
        "missing": [block.text() for block in missing],
    }


def sidecar(target: Path) -> Path:
    """Return the path of the file that carries words and verdicts."""
    return target.with_name(target.name + ".words.jsonl")


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def _facts(decoder: Decoder) -> dict[str, object]:
    calibrations: list[Calibration] = decoder.calibrations()
    return {
        "dewkeeper": 2,
        "units": {"temperature_c": "°C", "humidity_pct": "%RH"},
        "scales": {name: decoder.scale(number) for number, name in decoder.names.items()},
        "calibrations": [json.loads(codec.pack(calibration)) for calibration in calibrations],
    }
