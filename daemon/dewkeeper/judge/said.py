"""What the checks, detectors and beliefs of the judge say, as data: written by `python -m dewkeeper.judge.document`. Change it there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.types import Kind

# fmt: off
RATIONALES: Final[Mapping[Kind, Rationale]] = {
    "dry": Rationale("too dry", "moisture left the air, or the air warmed", "a poor shed over days", "refill the bowl; still dry six hours after that: close a few holes from outside, never most", 172800, "low", "medium", 43200, None),
    "damp": Rationale("too damp", "moisture was added and does not leave", "skin and lung disease over days", "give the tub more air, mist less, look for a wet floor", 172800, "low", "medium", 86400, None),
    "hot": Rationale("too hot", "the heat source gives too much, or the room is hot", "an hour of heat harms, death soon after", "smoke: get out. Else breaker off (cool plug: pull it), snake in airy box; smoke or flames: shut the door behind you, fire service; touch nothing hot or melted; each snake alone, in a closed box with air holes, in a cooler room, best 24–28 °C (75–82 °F); leave the tub open", 900, "urgent", "urgent", None, None),
    "cold": Rationale("too cold", "the heat source fails, or the room is cold", "no digestion, weak defences, in a day or two", "wet or scorched: breaker off. Else unplug its heater, check all, replug; all: plug, lead, thermostat; scorched, wet or tripping: hands off, leave it off, licensed electrician; while the heat is off keep the room at 24–28 °C (75–82 °F), a room heater straight into a wall socket on another breaker, nothing near it", 7200, "medium", "medium", None, None),
    "heat_stuck_on": Rationale("heat does not stop", "heater or thermostat stuck on", "overheating: an hour of heat harms, death soon after", "smoke: get out. Else breaker off (cool plug: pull it), snake in airy box; smoke or flames: shut the door behind you, fire service; touch nothing hot or melted; each snake alone, in a closed box with air holes, in a cooler room, best 24–28 °C (75–82 °F); leave the tub open", 900, "urgent", None, None, None),
    "heat_lost": Rationale("heat source stopped", "heater, thermostat or plug failed", "as cold as the room within hours", "wet or scorched: breaker off. Else unplug its heater, check all, replug; all: plug, lead, thermostat; scorched, wet or tripping: hands off, leave it off, licensed electrician; while the heat is off keep the room at 24–28 °C (75–82 °F), a room heater straight into a wall socket on another breaker, nothing near it", 7200, "medium", None, None, None),
    "dry_soon": Rationale("will be too dry", "moisture is leaving as it did before", "below tolerable within hours", "refill the bowl when you pass", 43200, "low", None, None, None),
    "stale_air": Rationale("stale air", "too little air since the vents were covered", "condensation and mould, skin and lung disease over days", "uncover part of the mesh, away from the heat; recheck the temperature within the hour", 43200, "low", None, None, None),
    "lid_open": Rationale("not closed again", "the air is still the room's after an opening", "drying and cooling; a snake may escape", "see that the snake is in, close it unless you opened it against heat; check the lock; snake gone: shut the room's door, search low and warm places", 900, "medium", None, None, None),
    "room_heat": Rationale("room too hot", "the room is as hot as an enclosure may be", "no enclosure in it can cool down", "cool the room: shade, air, fewer heaters", 3600, "medium", None, None, None),
    "room_heat_soon": Rationale("room is warming", "the room is as warm as the day before, or warmer, and warms on", "its enclosures go with it and will be too hot within hours; nothing in them can cool them", "cool the room before it is hot: shade, air at night, fewer heaters; leave each enclosure its cooler end", 7200, "medium", None, None, None),
    "room_frost": Rationale("room cold or bone-dry", "cold or frost-dry air in the room", "every enclosure in it dries or cools", "warm or moisten the room; leave the tubs as they are", 21600, "low", None, None, None),
    "system": Rationale("dewkeeper itself", "the monitor has trouble of its own", "it may see or say less than it should", "see the detail, and Health on the page", 86400, "medium", None, None, None),
    "missing": Rationale("no reading", "cable, plug or probe dead", "unwatched: no alarm can come, not of heat either, until readings are good again", "check the probe's cable and plug, then the probe", 86400, "medium", None, None, "failure"),
    "crc": Rationale("garbled readings", "wiring, supply or a dying probe", "unwatched: no alarm can come, not of heat either, until readings are good again", "check the probe's cable, plug and supply", 86400, "medium", None, None, "failure"),
    "gross_range": Rationale("impossible values", "wiring or a dying probe", "unwatched: humidity and temperature stay unknown until readings are good again", "check the cable, replace the probe", 86400, "medium", None, None, "failure"),
    "flat_line": Rationale("stuck reading", "probe or driver repeats one value", "unwatched: humidity and temperature stay unknown until readings are good again", "unplug and replug the probe", 86400, "medium", None, None, "failure"),
    "saturated": Rationale("wet probe", "water on the sensor: the film is read, not the air", "unwatched: humidity and temperature stay unknown until readings are good again", "take it out, let it dry, place it higher", 86400, "medium", None, None, "out_of_specification"),
    "sensor_heater": Rationale("probe heats itself", "the probe's own heater is on", "unwatched: humidity and temperature stay unknown until readings are good again", "restart dewkeeper, on the Pi, in a terminal: `sudo systemctl restart dewkeeper`; replace the probe if it stays", 86400, "low", None, None, "function_check"),
    "brownout": Rationale("probe lost power", "supply dips reset the probe", "nothing is read while the power is off; a supply that sags gets worse", "check supply and cable length", 86400, "low", None, None, "maintenance"),
    "displaced": Rationale("probe fell out", "the room's air is read", "unwatched: humidity and temperature stay unknown until readings are good again", "put the probe back near the substrate", 86400, "medium", None, None, "out_of_specification"),
    "impossible": Rationale("reads drier than can be", "a tub with open water cannot hold less vapour than the room", "unwatched: humidity and temperature stay unknown until readings are good again", "check this probe and the room's, and what stands beside them, before you change the tub", 86400, "medium", None, None, "out_of_specification"),
    "drift": Rationale("reads more and more wrong", "age or contamination", "humidity is told too low or too high, by so much", "check it over a salt and correct it, or replace it; the page's probes say by how much", 2592000, "low", None, None, "maintenance"),
    "swapped": Rationale("wrong probe", "two probes read each other's enclosure", "unwatched: humidity and temperature stay unknown until readings are good again", "swap them back, or their names", 3600, "low", None, None, "function_check"),
    "intermittent": Rationale("comes and goes", "plug loose, or cable broken or too long", "readings are lost, and what is told may come minutes later", "press its plug in and look along its cable; else a new plug, a shorter cable", 86400, "low", None, None, "maintenance"),
}
BELIEVED: Final = frozenset({"displaced", "flat_line", "gross_range", "impossible", "saturated", "sensor_heater", "swapped"})
"""Faults that take something away from what their probe reads (`beliefs`)."""
