"""The words file beside an exported CSV: the sensors' raw words and the verdicts, row by row.

It makes an export lossless, and it is believed only as far as the CSV says the same: whoever edits, sorts or merges the
CSV means what is in it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any, TextIO

from dewkeeper.errors import FileRefused
from dewkeeper.interchange import LONGEST_LINE, ReadingRow
from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT
from dewkeeper.store import codec
from dewkeeper.store.database import FOREVER
from dewkeeper.store.quality import spelled
from dewkeeper_drivers.contract import SCALES, Scale, scale_of

_ROUNDED = 0.0005 + 1e-9
"""°C or %RH: the CSV has three decimals."""
_REASON = re.compile(r"[\w.:%~-]{1,200}")
_FIRST_LINE = 1 << 24
"""Characters: it holds every calibration there ever was."""


@dataclass(frozen=True, slots=True)
class Worded:
    """What is stored of one row: words (None: a failed poll), flag, and what set it."""

    t: int | None
    h: int | None
    flag: int
    tests: str


@dataclass(slots=True)
class WordsFile:
    """An open words file, or (`file` is None) none. Rows are asked for in the order of their lines."""

    file: TextIO | None
    scales: dict[str, Scale] = field(default_factory=dict)
    calibrations: Calibrations = field(default_factory=Calibrations)
    _line: int = 1

    def of(self, row: ReadingRow) -> Worded | None:
        """Return what stands beside a row of the CSV, None where there is nothing or it says something else."""
        time, probe, temperature_c, humidity_percent, line = row
        text = self._text(line)
        if text is None:
            return None
        try:
            found = _worded(json.loads(text), time, probe)
        except (ValueError, TypeError, RecursionError):
            return None
        # One has a value where the other has none: an edited row.
        if found is None or (found.t is None) != (temperature_c is None):
            return None
        if found.t is not None and found.h is not None and temperature_c is not None and humidity_percent is not None:
            t, h = self._values(probe, time, found.t, found.h)
            if abs(t - temperature_c) > _ROUNDED or abs(h - humidity_percent) > _ROUNDED:
                return None
        return found

    def scale(self, probe: str) -> Scale:
        """Return the scale of a probe's words."""
        return self.scales.get(probe, SCALES["sht3x"])

    def uncorrected(self, probe: str, time: int, temperature_c: float, humidity_percent: float) -> tuple[float, float]:
        """Return values of the CSV as the sensor gave them: an export writes them corrected by the calibrations beside it."""
        calibration = self.calibrations.at(probe, time)
        if calibration is None:
            return temperature_c, humidity_percent
        humidity = (humidity_percent - calibration.humidity_offset_percent) / calibration.humidity_gain
        return temperature_c - calibration.temperature_offset_c, humidity

    def _values(self, probe: str, time: int, t: int, h: int) -> tuple[float, float]:
        decoded = self.scale(probe).decode(t, h)
        calibration = self.calibrations.at(probe, time)
        return decoded if calibration is None else calibration.corrected(*decoded)

    def _text(self, line: int) -> str | None:
        """Return a line of the file, of which those before it are passed over."""
        text = None
        while self.file is not None and self._line < line:
            text = self.file.readline(LONGEST_LINE)
            if len(text) == LONGEST_LINE and text[-1] != "\n":
                while (rest := self.file.readline(LONGEST_LINE)) and rest[-1] != "\n":
                    pass
                text = ""
            self._line += 1
        return text


@contextmanager
def opened(path: Path) -> Iterator[WordsFile]:
    """Open the words file at `path`, which need not be there. Raises FileRefused, before anything of it is believed."""
    if not path.exists():
        yield WordsFile(None)
        return
    with path.open(encoding="utf-8", errors="replace", newline="\n") as file:
        try:
            words = _described(file)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            why = "it is damaged, or no words file" if not isinstance(error, _NotOurs) else str(error)
            raise FileRefused(
                f"{path}: {why}. Without it beside the CSV, the CSV alone is taken in: move it away"
            ) from error
        yield words


class _NotOurs(ValueError):
    """It can be read, and says what this version does not know."""


def _described(file: TextIO) -> WordsFile:
    """Take the first line: whose words are of which scale, and the calibrations. Raises ValueError and its like."""
    facts = json.loads(file.readline(_FIRST_LINE))
    scales = {str(name): _scale(str(name), scale) for name, scale in facts["scales"].items()}
    described = [codec.as_calibration(one) for one in facts.get("calibrations", ())]
    for one in described:
        offsets = one.temperature_offset_c, one.humidity_offset_percent
        if not 0 < one.time < FOREVER or not 0.1 <= one.humidity_gain <= 10 or not all(map(isfinite, offsets)):
            raise _NotOurs(f"a calibration of {one.probe} in it is none")
    return WordsFile(file, scales, Calibrations(described))


def _scale(probe: str, name: object) -> Scale:
    try:
        return scale_of(str(name))
    except ValueError as error:
        raise _NotOurs(
            f"the words of {probe} are of a scale {name!r}, this version knows {', '.join(sorted(SCALES))} by their names alone"
        ) from error


def _worded(said: Any, time: int, probe: str) -> Worded | None:
    """Return what a line says, None where it is not of this row. Raises ValueError or TypeError for what is no line."""
    at, name, t, h, flag, tests, failure, notes = said
    if (at, name) != (time, probe):
        return None
    if flag not in (PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING) or isinstance(flag, bool):
        raise ValueError("no flag")
    reasons = [*tests, *notes, *([] if failure is None else [failure])]
    if not all(isinstance(one, str) and _REASON.fullmatch(one) for one in reasons):
        raise ValueError("no names of tests")
    text = spelled(tests, failure, notes)
    if t is None or h is None:
        return Worded(None, None, flag, text)
    if not all(type(word) is int and 0 <= word <= 65535 for word in (t, h)):
        raise ValueError("no 16-bit words")
    return Worded(t, h, flag, text)
