"""The first sentence of a morning: how many enclosures are in which state, and how old that knowledge is."""

from __future__ import annotations

from collections import Counter

from dewkeeper.report.alarm_words import headline
from dewkeeper.report.model import NEEDS_LOOK, MorningGlance, Rank
from dewkeeper.report.off_times import OFF_SHORT
from dewkeeper.report.wording import Wording, harmed, went_words

_COUNTED: dict[Rank, str] = {
    "urgent": "to act on now",
    "unwatched": "unwatched",
    "alarm": "to see to",
    "outside": "was beyond limits",
    "shelved": "shelved",
    "calm": "calm",
    "out_of_service": "out of service",
}
"""What follows the number of enclosures of a rank, in the order of need."""


def first_line(glance: MorningGlance) -> str:
    """Return one true sentence with counts: "1 to act on now, 2 unwatched, 9 calm"; each enclosure is counted once.

    "All well" and "Nothing is watched" come first where they are so; what is out of service is not said to be well.
    """
    found = Counter(row.rank for row in glance.enclosures)
    back = sum(row.rank == "unwatched" and not row.unwatched.now for row in glance.enclosures)
    look = sum(row.rank == "alarm" and harmed(row) for row in glance.enclosures)
    counted = found - Counter({"unwatched": back, "alarm": look})
    parts = [f"{counted[rank]} {words}" for rank, words in _COUNTED.items() if counted[rank]]
    if found["outside"]:
        at = parts.index(f"{found['outside']} {_COUNTED['outside']}")
        parts[at : at + 1] = _went(glance)
    if look:
        # Behind those to act on now, where there are any: True is place 1.
        parts.insert(counted["urgent"] > 0, f"{look} to look at now")
    if back:
        before = (look > 0) + sum(counted[rank] > 0 for rank in ("urgent", "alarm", "unwatched"))
        parts.insert(before, f"{back} read calm now")
    if glance.patchy and not glance.nothing_watched:
        some = "" if len(glance.patchy) == found["calm"] else f"{len(glance.patchy)} of them "
        at = next(n for n, part in enumerate(parts) if part == f"{found['calm']} calm")
        parts[at] += (
            f" ({some}{f'not watched {glance.night_called}' if glance.unwatched_night else 'not watched all the time'})"
        )
    if glance.general:
        named = list(dict.fromkeys(headline(alarm) for alarm in glance.general))
        parts.insert(0, ", ".join(named[:2]) + (f" and {len(named) - 2} more" if len(named) > 2 else ""))
    said = ", ".join(parts)
    missed = [row for row in glance.enclosures if row in glance.missed]
    if missed:
        whys = {row.unwatched.off for row in missed}
        why = OFF_SHORT.get(whys.pop(), "cause unknown") if len(whys) == 1 else "several causes"
        who = f"{len(missed)} of them {'was' if len(missed) == 1 else 'were'}"
        if len(missed) == len(glance.enclosures):
            who = "it was" if len(missed) == 1 else "all were"
        how = f"unwatched for a part of the night ({why})"
        # Where nothing else asks for a look, what is not known comes before what is read now.
        first = not glance.general and not any(counted[rank] for rank in NEEDS_LOOK) and not look
        said = f"{who.replace(' of them', '')} {how}; {said}" if first else f"{said}; {who} {how}"
        said = f"{said[0].upper()}{said[1:]}"
    if glance.nothing_watched:
        return f"Nothing is watched: {said}"
    if not glance.all_well:
        return said
    return f"{said} (not watched)" if glance.resting else f"All well: {said}"


def _went(glance: MorningGlance) -> list[str]:
    """Return how many nights were beyond what: "2 were beyond limits", "1 was beyond target"."""
    words = Counter(went_words(row) for row in glance.enclosures if row.rank == "outside")
    return [f"{n} {said if n == 1 else said.replace('was ', 'were ')}" for said, n in words.items()]


def age_words(glance: MorningGlance, wording: Wording) -> str:
    """Return when the newest reading of all was taken and how long ago; "stale" where that is not of now."""
    if glance.newest is None:
        return "nothing was ever measured"
    ago = glance.made_at - glance.newest
    said = f"newest reading {wording.clock(glance.newest, glance.made_at)}"
    said += f", {wording.lasting(ago)} ago" if ago >= 60 else ", just now"
    return said if glance.silent_since is None else f"stale: {said}"
