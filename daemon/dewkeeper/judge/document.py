"""The document of alarm kinds, written from the table: `python -m dewkeeper.judge.document > daemon/dewkeeper/judge/ALARMS.md`."""

from __future__ import annotations

import sys

from dewkeeper.judge.rationale import HOUR, Rationale
from dewkeeper.judge.words import FAULTS, KINDS

_HEAD = """# Alarm kinds

Written by `python -m dewkeeper.judge.document` from the words at the head of each check and detector; a test holds it current.
Priorities follow consequence and time to harm. Common practice, not veterinary advice; in doubt ask an exotics vet.
"""


def alarm_kinds_document() -> str:
    """Return the whole document, Markdown."""
    lines = [_HEAD]
    for title, faults in (("Of the air and of the heat", False), ("Of the probe", True)):
        lines += [f"## {title}\n", "| kind | called | priority | time to respond | cause | consequence | response |"]
        lines.append("| --- | --- | --- | --- | --- | --- | --- |")
        lines += [_line(kind, row) for kind, row in KINDS.items() if (kind in FAULTS) is faults]
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


if __name__ == "__main__":
    sys.stdout.write(alarm_kinds_document())
