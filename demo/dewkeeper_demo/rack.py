"""An invented rack: who lives where, how each enclosure is built, and the configuration file that says so."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from dewkeeper_demo.physics import Build

ROOM_PROBE = "room air"
SIGNING_KEY = "whsec_ZGV3a2VlcGVyLWRlbW8tc2lnbmluZy1rZXktMDAwMDE="  # invented; signs nothing but the demo
DRY_TUB, MISTED_TUB, UNPLUGGED_TUB, HOT_TUB = "A2", "A4", "A5", "B3"  # what happens to whom in the night

COCO = Build()
BARK = Build(floor_conductance=0.11, floor_holds_grams=380.0, floor_fraction=0.28, vents_m3_per_hour=0.064)
PAPER = Build(  # a paper liner holds next to nothing: without its bowl this tub follows the room
    floor_conductance=0.085, floor_holds_grams=24.0, floor_fraction=0.21, bowl_conductance=0.09, bowl_grams=160.0
)
FURNISHED = Build(
    volume_litres=320.0, vents_m3_per_hour=0.30, bowl_conductance=0.10, bowl_grams=900.0, floor_conductance=0.62,
    floor_holds_grams=4000.0, floor_fraction=0.28, heat_rise_c=16.0, heat_tau_hours=3.0, film_conductance=2.6,
    mist_grams=95.0,
)  # fmt: skip
EGGS = Build(
    volume_litres=18.0, vents_m3_per_hour=0.01, bowl_conductance=0.0, bowl_grams=0.0, floor_conductance=0.25,
    floor_holds_grams=900.0, floor_fraction=0.7, day_c=31.5, night_c=31.5, thermostat_swing_c=0.12,
    heat_rise_c=16.0, heat_tau_hours=2.5,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RackPlace:
    """One enclosure of the invented rack."""

    name: str
    rack: str
    shelf: int
    place: int
    build: Build
    kind: Literal["tub", "furnished", "egg_box"] = "tub"
    profile: str = "adult"
    setting: str = "near the floor, middle"
    animal: str = ""


PLACES = (
    RackPlace("A1", "Rack A", 1, 1, COCO, animal="Cinder"),
    RackPlace(DRY_TUB, "Rack A", 1, 2, PAPER, animal="Moss"),
    RackPlace("A3", "Rack A", 2, 1, BARK, animal="Umber"),
    RackPlace(MISTED_TUB, "Rack A", 2, 2, COCO, animal="Plum"),
    RackPlace(UNPLUGGED_TUB, "Rack A", 3, 1, COCO, animal="Fennel"),
    RackPlace("A6", "Rack A", 3, 2, BARK, animal="Bramble"),
    RackPlace("B1", "Rack B", 1, 1, COCO, animal="Ochre"),
    RackPlace("B2", "Rack B", 1, 2, BARK, animal="Tansy"),
    RackPlace(HOT_TUB, "Rack B", 2, 1, COCO, animal="Sorrel"),
    RackPlace("B4", "Rack B", 2, 2, COCO, animal="Flint"),
    RackPlace(
        "Window viv", "Vivaria", 1, 1, FURNISHED, "furnished", setting="cool end, behind the cork", animal="Juniper"
    ),
    RackPlace(
        "Corner viv", "Vivaria", 1, 2, FURNISHED, "furnished", setting="middle, under the branch", animal="Maple"
    ),
    RackPlace("Egg box", "Vivaria", 2, 1, EGGS, "egg_box", "egg_box", setting="above the eggs"),
)
PROBES_PER_BUS = 2  # an SHT31-D has two addresses, and there is no multiplexer here


@dataclass(frozen=True, slots=True)
class Wiring:
    """Which probe answers where. `probe` is an enclosure's name, or `ROOM_PROBE`."""

    probe: str
    bus: int
    address: int


def wiring() -> tuple[Wiring, ...]:
    """Return every probe with its bus number and address: two to a bus, the room's probe last."""
    probes = [place.name for place in PLACES] + [ROOM_PROBE]
    return tuple(
        Wiring(probe, 1 + index // PROBES_PER_BUS, 0x44 + index % PROBES_PER_BUS) for index, probe in enumerate(probes)
    )


def config_text(folder: Path, *, zone: str, http_port: int, smtp_port: int, poll_seconds: int, web_port: int) -> str:
    """Return the rack's configuration file, as a keeper would write it, reporting to an inbox on this machine."""
    head = f"""\
[site]
name = "Snake room"
timezone = "{zone}"
poll_seconds = {poll_seconds}

[storage]
folder = "{folder}"
ballast_mb = 0

[notify]
morning_at = 07:30:00

[web]
port = {web_port}

[[channel]]
kind = "webhook"
name = "phone"
url = "http://127.0.0.1:{http_port}/phone"
secrets = ["{SIGNING_KEY}"]

[[channel]]
kind = "mail"
name = "mail"
host = "127.0.0.1"
port = {smtp_port}
security = "none"
sender = "rack@snakeroom.example"
to = ["ode@neighbour.example"]

[[person]]
name = "Runa"
channels = ["phone"]

[[person]]
name = "Ode"
channels = ["mail"]
escalation = 1

"""
    rows = "".join(
        f'[[bus]]\nname = "{_row(rack)}"\nkind = "wire"\nnumbers = "{min(numbers)}-{max(numbers)}"\n\n'
        for rack, numbers in _numbers().items()
    )
    return (
        head + rows + _tubs("Rack A", "A{number}") + _tubs("Rack B", "B{number}") + _one_by_one("Vivaria") + _room_air()
    )


def _tubs(rack: str, names: str) -> str:
    """Return a rack of tubs that are alike, by its shelves."""
    here = [place for place in PLACES if place.rack == rack]
    shelves = [sum(place.shelf == shelf for place in here) for shelf in range(1, here[-1].shelf + 1)]
    return (
        f'[[rack]]\nname = "{rack}"\nroom = "snake room"\nshelves = {shelves}\ntubs = "{names}"\n\n'
        f'[rack.probe]\nname = "{probe_name("{tub}")}"\nbus = "{_row(rack)}"\nplacement = "{here[0].setting}"\n\n'
    )


def _one_by_one(rack: str) -> str:
    """Return a rack of enclosures that have little in common."""
    text = f'[[rack]]\nname = "{rack}"\nroom = "snake room"\n\n'
    for place in PLACES:
        if place.rack != rack:
            continue
        text += (
            f'[[enclosure]]\nname = "{place.name}"\nrack = "{rack}"\nshelf = {place.shelf}\nplace = {place.place}\n'
            f'kind = "{place.kind}"\nprofile = "{place.profile}"\n'
            f"open_water = {str(place.build.bowl_grams > 0).lower()}\n\n"
            f'[[probe]]\nname = "{probe_name(place.name)}"\nenclosure = "{place.name}"\n{_wires(place.name)}'
            f'placement = "{place.setting}"\n\n'
        )
    return text


def _room_air() -> str:
    return (
        f'[[probe]]\nname = "{ROOM_PROBE}"\nroom = "snake room"\nrole = "room"\n{_wires(ROOM_PROBE)}'
        'placement = "on the shelf, away from the heaters"\n'
    )


def _numbers() -> dict[str, list[int]]:
    """Return rack -> the numbers of the buses that its probes hang on; the room's probe hangs with the last."""
    found: dict[str, list[int]] = {}
    for wire in wiring():
        rack = next((place.rack for place in PLACES if place.name == wire.probe), PLACES[-1].rack)
        found.setdefault(rack, []).append(wire.bus)
    return found


def _row(rack: str) -> str:
    return f"wires of {rack}"


def _wires(probe: str) -> str:
    wire = next(wire for wire in wiring() if wire.probe == probe)
    rack = next((place.rack for place in PLACES if place.name == probe), PLACES[-1].rack)
    return f'bus = "{_row(rack)} {wire.bus}"\naddress = {wire.address:#x}\n'


def probe_name(place: str) -> str:
    """Return the configured name of the probe in an enclosure, or of the room's."""
    return place if place == ROOM_PROBE else f"{place} floor"
