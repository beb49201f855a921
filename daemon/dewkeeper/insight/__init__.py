"""What history teaches: why the air changed, how long the water lasts, what a change did.

Reads finished series and computes; it reads no store, no file and no clock, and switches nothing. numpy lives here
and nowhere else in the daemon's package: `dewkeeper run` never imports this room.

    series     readings of one place on a regular grid
    response   how an enclosure's vapour follows its room and its heat, learned from its own hours
    cause      a change of humidity, split into heat, room and moisture
    decay      the drying constant, from what happens after wetting
    forecast   the hours ahead, with intervals that the enclosure's own past forecasts earned
    effect     what a change of the keeper's did, beside enclosures that were left alone
    answers    questions as JSON lines, each answered with only what it may know
"""
