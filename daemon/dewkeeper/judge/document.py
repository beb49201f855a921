"""Writing what is said of alarm kinds, from the table: ALARMS.md for people, `said` for programs: `python -m dewkeeper.judge.document`.

So a command that only looks loads none of what finds alarms: a tenth of what it takes to start.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import astuple
from pathlib import Path
from typing import get_args

from dewkeeper.judge.beliefs import TABLE as BELIEFS
from dewkeeper.judge.rationale import HOUR, Rationale
from dewkeeper.judge.table import TABLE
from dewkeeper.judge.types import Kind

DOCUMENT = Path(__file__).with_name("ALARMS.md")

_HEAD = """# Alarm kinds

Written by `python -m dewkeeper.judge.document` from the words at the head of each check and detector; a test holds it current.
Priorities follow consequence and time to harm. Common practice, not veterinary advice; in doubt ask an exotics vet.
"""


_SAID = '''"""What the checks, detectors and beliefs of the judge say, as data: written by `python -m dewkeeper.judge.document`. Change it there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.types import Kind

# fmt: off
RATIONALES: Final[Mapping[Kind, Rationale]] = {
'''
_BELIEVED = '''}}
BELIEVED: Final = frozenset({{{}}})
"""Faults that take something away from what their probe reads (`beliefs`)."""
'''


def texts() -> dict[Path, str]:
    """Return what the written files must hold, by their paths. Raises TypeError for an alarm kind without words."""
    words = {kind: row for detector in TABLE for kind, row in detector.words.items()}
    if missing := set(get_args(Kind)) - set(words):
        raise TypeError(f"alarm kinds without a rationale: {sorted(missing)}")
    rows = {kind: words[kind] for kind in get_args(Kind)}
    return {DOCUMENT: _document(rows), DOCUMENT.with_name("said.py"): _module(rows)}


def _module(rows: dict[Kind, Rationale]) -> str:
    lines = [f'    "{kind}": Rationale({", ".join(map(_literal, astuple(row)))}),\n' for kind, row in rows.items()]
    believed = ", ".join(map(_literal, sorted({belief.fault for belief in BELIEFS})))
    return _SAID + "".join(lines) + _BELIEVED.format(believed)


def _literal(value: str | int | None) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def _document(rows: dict[Kind, Rationale]) -> str:
    lines = [_HEAD]
    for title, faults in (("Of the air and of the heat", False), ("Of the probe", True)):
        lines += [f"## {title}\n", "| kind | called | priority | time to respond | cause | consequence | response |"]
        lines.append("| --- | --- | --- | --- | --- | --- | --- |")
        lines += [_line(kind, row) for kind, row in rows.items() if bool(row.ne107) is faults]
        lines.append("")
    return "\n".join(lines)


def _line(kind: str, row: Rationale) -> str:
    priority, within = str(row.priority), _hours(row.within_seconds)
    if row.tolerable_priority is not None and row.tolerable_priority != row.priority:
        priority += f", beyond tolerable {row.tolerable_priority}"
    if row.tolerable_within_seconds is not None:
        within += f", beyond tolerable {_hours(row.tolerable_within_seconds)}"
    return f"| `{kind}` | {row.label} | {priority} | {within} | {row.cause} | {row.consequence} | {row.response} |"


def _hours(seconds: int) -> str:
    return f"{seconds // HOUR} h" if seconds >= HOUR else f"{seconds // 60} min"


def main(write: Callable[[Path, str], object] = Path.write_text) -> None:
    """Write both."""
    for path, text in texts().items():
        write(path, text)


if __name__ == "__main__":
    main()
