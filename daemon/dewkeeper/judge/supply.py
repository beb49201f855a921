"""Probes that lost their power and came back: a supply that sags, one probe's or that of a whole part of the wiring.

A sensor says that it has restarted. At the first reading after a start, or after an outage that is told as `missing`, that
is no news: somebody switched it on. Several at once are one supply, not so many sags, so what restarted within two polls is
looked at together.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.faults import missing_after, start_fault
from dewkeeper.judge.state import NEVER, State, Watch

TOGETHER_FROM: Final = 3
_POLLS: Final = 2
"""Probes are polled one after another: what happened to all of them at once is seen within two polls."""


def note_restart(state: State, watch: Watch, now: int) -> None:
    """A probe says that it restarted without being told to."""
    if "brownout" in watch.faults:
        start_fault(state, watch, "brownout", now, now, stated=True)
    elif watch.live > state.begun and now - watch.live <= missing_after(state):
        watch.restarted = now
        state.set_timer(now + _POLLS * state.poll, "restarts", "")


def name_restarts(state: State, now: int) -> None:
    """Name what restarted within the last two polls: each probe by itself, or the part of the wiring that they share."""
    found = [w for w in state.watches.values() if w.restarted != NEVER]
    if not found or now - min(w.restarted for w in found) < _POLLS * state.poll:
        return
    together = len(found) >= TOGETHER_FROM or (len(found) > 1 and len(found) == len(_members(state, _shared(found))))
    for watch in found:
        since, watch.restarted = watch.restarted, NEVER
        if watch.retired != NEVER or "brownout" in watch.faults:
            continue
        if together:
            _raise_together(state, watch, found, since, now)
        else:
            start_fault(state, watch, "brownout", now, since, stated=True)


def _shared(found: list[Watch]) -> str:
    """Return the narrowest part of the wiring that all of them hang on; an empty text when there is none."""
    return next((part for part in reversed(found[0].wiring) if all(part in w.wiring for w in found)), "")


def _members(state: State, part: str) -> list[Watch]:
    return [w for w in state.watches.values() if part in w.wiring and w.retired == NEVER]


def _raise_together(state: State, watch: Watch, found: list[Watch], since: int, now: int) -> None:
    part = _shared(found) or "several buses"
    names = ", ".join(sorted(w.name for w in found))
    watch.faults["brownout"] = [since, -1, now]
    watch.places["brownout"] = f"branch:{part}"
    state.book.raise_(
        (f"branch:{part}", "brownout"), now, since=since, enclosure=None, probe=None, holder=watch.name,
        cause=f"{len(found)} probes of {part} lost power at once", response="check the supply and the plug they share",
        detail={"branch": part, "probes": names, "count": len(found), "text": f"restarted: {names}"},
    )  # fmt: skip
