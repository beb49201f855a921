"""From a side's level to the alarm of its enclosure."""

from __future__ import annotations

from dewkeeper.judge.limits import Side
from dewkeeper.judge.state import State, Watch


def change_level(state: State, watch: Watch, side: Side, level: int, now: int) -> None:
    """A side of a probe went to another level: raise, escalate, ease or clear the alarm of its kind."""
    before, side.level = side.level, level
    key = (watch.place, side.kind)
    if level == 0:
        state.book.clear(key, now, watch.name)
        return
    if level < before:
        if side.kind != "hot":
            state.book.ease(key, now)
        return
    runs = side.runs()
    danger = side.kind == "hot" and level == 2
    run = runs[-1] if level == 2 else runs[0]
    if side.kind == "hot" and not danger:
        run = runs[0]
    band = "tolerable" if level == 2 or side.kind == "hot" else "target"
    started = min(r.since for r in runs if r.active)
    state.book.raise_(
        key, now, since=started, enclosure=watch.enclosure, probe=watch.name, holder=watch.name,
        band="tolerable" if band == "tolerable" else "target",
        value=round(watch.t if side.thermal else watch.h, 2), limit=side.sign * run.limit,
        detail={"danger": 1} if danger else {}, escalates=danger and before == 1,
    )  # fmt: skip
