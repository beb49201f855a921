"""What history teaches: why the air changed, how long the water lasts, what a change did.

Reads finished series and computes; it reads no store, no file and no clock, and switches nothing. numpy lives here
and nowhere else in the daemon's package, and `dewkeeper run` never imports it: of this room the daemon knows `outlook`,
`places`, `changed` and `compared` alone, which are plain Python.

    series     readings of one place on a regular grid
    response   how an enclosure's vapour follows its room and its heat, learned from its own hours
    cause      a change of humidity, split into heat, room and moisture
    decay      the drying constant, from what happens after wetting
    forecast   the hours ahead, with intervals that the enclosure's own past forecasts earned
    outlook    those figures run on from now: plain Python, for page, round and questions
    compared   open lids at which a probe was compared with its room, kept from pass to pass; plain Python
    probe_error  what a probe reads wrong by, from those
    places     surfaces and walls: how humid and how cold it is where no probe lies; plain Python
    spots      what is learned of those: warmth, the wall's temperature factor, exchange since vents were changed
    facts      what is told to the judge and to people of one enclosure
    learning   one pass over a collection, and whether it has news
    pupil      the same passes along with a replay
    changed    what changes did, as it is stored
    effect     what a change of the keeper's did, beside enclosures that were left alone
    answers    questions as JSON lines, each answered with only what it may know
"""

from __future__ import annotations

from datetime import time
from typing import Final

LEARN_AT: Final = time(4, 40)
"""Local time of the nightly pass, and of those along with a replay: outside the hours any DST change touches."""
