"""From a file in which a rack or a row of buses stands for many, to one that names every bus, enclosure and probe.

Nothing is decided here that a file written out could not say: `dewkeeper config show` prints that file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

from pydantic_core import ErrorDetails

from dewkeeper_config.errors import Problem
from dewkeeper_config.models import BusTable, Rack, RackProbes, RackTable
from dewkeeper_config.positions import KeyPath
from dewkeeper_config.tolerance import tolerant
from dewkeeper_config.tree import Tree, show, showable

MOST_PROBES = 1023
"""So many probes fit a key of the store, so a file needs no more tubs or buses."""

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
# What stands for many tubs; a rack without any of it is taken as it is written.
_SHORT_FORM = set(RackTable.field_names) - set(Rack.field_names)
# Key of one probe -> key of the list in a rack's `probe` that it was taken from.
_LISTED = {"multiplexer": "multiplexers", "channel": "channels", "address": "addresses"}
_WIRING_PLAN = {*_LISTED.values(), "name"}
_NAMES_DEPEND_ON = {"name", "shelves", "tubs", "numbers"}
_FIELD = re.compile(r"\{(\w+)(?::0(\d))?\}")


@dataclass(slots=True)
class Expansion:
    """The file written out, what pydantic refused in the short forms, and what else is wrong with them.

    names_known: whether every tub and bus that the file stands for could be named; what refers to them cannot be
    judged otherwise.
    """

    tree: Tree
    refused: list[ErrorDetails] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    names_known: bool = True


@dataclass(frozen=True, slots=True)
class _Spot:
    """One place of a rack, and what the tub there is called."""

    tub: str
    shelf: int
    place: int
    number: int


@dataclass(frozen=True, slots=True)
class _Own:
    """What differs in one tub, and where the file says so."""

    says: Mapping[str, Any]
    path: KeyPath


def expand(raw: Mapping[str, Any], lines: Mapping[KeyPath, int]) -> Expansion:
    """Return what the parsed file says, every bus, enclosure and probe by itself; `lines` are of the file."""
    source = Tree(raw)
    work = _Expander(source, lines)
    # Buses first, for a rack may name a whole row of them.
    work.write_buses_out()
    work.write_racks_out()
    return work.expansion()


def wires(buses: Sequence[str], probe: RackProbes) -> list[dict[str, Any]]:
    """Return where the probes of a rack can hang, in the order in which its places take them."""
    if not probe.multiplexers:
        return [{"bus": bus, "address": address} for bus, address in product(buses, probe.addresses)]
    every = product(buses, probe.multiplexers, probe.channels, probe.addresses)
    return [{"bus": b, "multiplexer": m, "channel": c, "address": a} for b, m, c, a in every]


class _Expander:
    def __init__(self, source: Tree, lines: Mapping[KeyPath, int]) -> None:
        self._source, self._file_lines = source, lines
        self._found = Expansion(source)
        self._lines = {source.key(path): line for path, line in lines.items()}
        self._made: dict[str, list[tuple[Any, str]]] = {"bus": [], "rack": [], "enclosure": [], "probe": []}
        self._rows: dict[str, list[str]] = {}

    def expansion(self) -> Expansion:
        """Return the tree: what racks stand for first, then what the file names itself."""
        out = dict(self._source.raw)
        labels: dict[KeyPath, str] = {}
        for table, made in self._made.items():
            own = self._source.raw.get(table, [])
            if not isinstance(own, list):
                continue
            # The file's own buses and racks were passed through, in the order of the file.
            if table in ("enclosure", "probe"):
                made += [(entry, self._source.key((table, index))) for index, entry in enumerate(own)]
            # What is left out and stands for nothing stays left out: it is then refused as missing.
            if made or table in out:
                out[table] = [entry for entry, _ in made]
            labels |= {(table, index): label for index, (_, label) in enumerate(made)}
        self._found.tree = Tree(out, labels, self._lines)
        return self._found

    # --- rows of buses -----------------------------------------------------------------------------------------

    def write_buses_out(self) -> None:
        """Write rows of buses out."""
        for index, entry in enumerate(self._entries("bus")):
            path: KeyPath = ("bus", index)
            if not isinstance(entry, Mapping) or "numbers" not in entry:
                self._made["bus"].append((entry, self._source.key(path)))
                continue
            row: BusTable | None
            row, rest = self._read(BusTable, entry, path)
            # The rest is read as one bus, which has no such key.
            rest.pop("numbers", None)
            if "number" in entry:
                self._problem(path, "number", entry["number"], "number or numbers, not both")
            numbers = list(_numbers(row.numbers)) if row is not None and row.numbers is not None else []
            if not all(0 <= number <= 255 for number in numbers) or (not numbers and row and row.numbers):
                self._problem(path, "numbers", row and row.numbers, "numbers 0 to 255, the lower first: 30-37")
            if row is None or not numbers or self._too_many("bus", len(numbers), path, "numbers"):
                self._found.names_known = False
                # Still one bus, so that what else is wrong with it is said too.
                self._made["bus"].append((rest, self._source.key(path)))
                continue
            self._rows[row.name] = [f"{row.name} {number}" for number in numbers]
            for name, number in zip(self._rows[row.name], numbers, strict=True):
                label = self._add("bus", f'bus[{index + 1}] "{name}"', rest | {"name": name, "number": number}, path)
                self._note(label, path, rest)
                self._note(label, (*path, "numbers"), ["number"], below=False)

    # --- racks -------------------------------------------------------------------------------------------------

    def write_racks_out(self) -> None:
        """Write out what racks say of their tubs."""
        for index, entry in enumerate(self._entries("rack")):
            path: KeyPath = ("rack", index)
            if not isinstance(entry, Mapping) or not _SHORT_FORM & set(entry):
                self._made["rack"].append((entry, self._source.key(path)))
                continue
            rack: RackTable | None
            rack, rest = self._read(RackTable, entry, path)
            bare = {key: value for key, value in entry.items() if key not in _SHORT_FORM}
            self._made["rack"].append((bare, self._source.key(path)))
            if rack is None:
                self._found.names_known = False
            # Asked before any tub is made: a slip in `shelves` may stand for thousands.
            elif not self._too_many("enclosure", sum(rack.shelves), path, "shelves"):
                self._fill(rack, rest, path)

    def _fill(self, rack: RackTable, says: Mapping[str, Any], path: KeyPath) -> None:
        spots = list(self._spots(rack, path))
        if not spots:
            self._found.names_known = False
            self._problem(path, "shelves", None, "how many places each shelf has: [4, 4, 3]")
        exceptions = self._exceptions(spots, says.get("exceptions", {}), path)
        hang = self._wires(rack.probe, spots, path) if rack.probe is not None else {}
        # As written and not as read, here and below: defaults would be laid over what was given.
        each: Mapping[str, Any] = says.get("each", {})
        for spot in spots:
            own = exceptions.get(spot.tub, _Own({}, path))
            # It keeps its wires: whoever puts a tub there later moves no other probe.
            if own.says.get("empty") is True:
                continue
            facts = {"name": spot.tub, "rack": rack.name, "shelf": spot.shelf, "place": spot.place}
            different = {key: value for key, value in own.says.items() if key not in ("empty", "probe")}
            label = self._label(path, "tub", spot.tub)
            self._add("enclosure", label, {**facts, **_laid_over(each, different)}, own.path if own.says else path)
            self._note(label, (*path, "tubs"), ["name"], below=False)
            self._note(label, (*path, "shelves"), ["shelf", "place"], below=False)
            self._note(label, (*path, "each"), each)
            self._note(label, own.path, different)
            if rack.probe is not None:
                self._fill_probe(rack.probe, says["probe"], spot, hang.get(spot.number, {}), own, path)

    def _fill_probe(
        self, probe: RackProbes, shared: Mapping[str, Any], spot: _Spot, wires: Mapping[str, Any], own: _Own, path: KeyPath
    ) -> None:  # fmt: skip
        different: Mapping[str, Any] = own.says.get("probe", {})
        if "bus" in different:
            wires = {"address": wires["address"]} if "address" in wires else {}  # another bus has other channels
        name = different.get("name") or self._probe_name(probe.name, spot, path)
        traits = {key: value for key, value in shared.items() if key not in _WIRING_PLAN}
        label = self._label(path, "probe", name)
        facts = {"name": name, "enclosure": spot.tub}
        whole = _laid_over({**traits, **wires}, different) | facts
        self._add("probe", label, whole, (*own.path, "probe") if different else (*path, "probe"))
        self._note(label, (*path, "probe"), shared)
        for key in wires:
            listed = _LISTED.get(key, key)
            self._note(label, (*path, "probe", listed if listed in shared else "bus"), [key], below=False)
        self._note(label, (*own.path, "probe"), different)

    def _spots(self, rack: RackTable, path: KeyPath) -> Iterator[_Spot]:
        number = 0
        used: set[str] = set()
        for shelf, places in enumerate(rack.shelves, 1):
            for place in range(1, places + 1):
                number += 1
                fields: dict[str, object] = {"shelf": shelf, "place": place, "number": number}
                # A shelf beyond Z has no letter; a template that asks for one is refused there.
                if shelf <= len(_LETTERS):
                    fields["letter"] = _LETTERS[shelf - 1]
                tub = _filled(rack.tubs, fields)
                if tub is None or tub in used:
                    self._found.names_known = False
                    each = (
                        f"with {_braced(fields)}"
                        if tub is None
                        else "of its own for each tub, with {place} or {number}"
                    )
                    self._problem(path, "tubs", rack.tubs, f"a name {each}, on shelf {shelf} as well")
                    return
                used.add(tub)
                yield _Spot(tub, shelf, place, number)

    def _probe_name(self, template: str | None, spot: _Spot, path: KeyPath) -> str:
        if template is None:
            return spot.tub.lower()
        fields = {"tub": spot.tub, "shelf": spot.shelf, "place": spot.place, "number": spot.number}
        name = _filled(template, fields)
        if name is None:
            self._problem((*path, "probe"), "name", template, f"a name with {_braced(fields)}")
        # Of some name, so that what else is wrong with the probe is said too.
        return name or spot.tub.lower()

    def _exceptions(
        self, spots: Sequence[_Spot], written: Mapping[str, Mapping[str, Any]], path: KeyPath
    ) -> dict[str, _Own]:
        """Return tub -> what differs. A tub that two exceptions name is refused: which would hold?"""
        found: dict[str, _Own] = {}
        for who, says in written.items():
            own = _Own(says, (*path, "exceptions", who))
            for name in (part.strip() for part in who.split(",")):
                meant = _meant(name, spots)
                if not meant:
                    known = ", ".join(spot.tub for spot in spots[:12]) + (" ..." if len(spots) > 12 else "")
                    self._problem((*path, "exceptions"), who, name, f"a tub of this rack: {known}; or shelf 1")
                for tub in meant:
                    if tub in found:
                        self._problem((*path, "exceptions"), who, tub, "each tub in one exception only")
                    found[tub] = own
        return found

    def _wires(self, probe: RackProbes, spots: Sequence[_Spot], path: KeyPath) -> dict[int, dict[str, Any]]:
        """Return number of the place -> its bus, multiplexer, channel and address, in the order of the places."""
        if probe.bus is None:
            return {}
        ways = wires(self._rows.get(probe.bus, [probe.bus]), probe)
        if len(ways) < len(spots):
            key = self._source.key((*path, "probe"))
            allowed = f"one for each of the {len(spots)} places: more multiplexers, channels or buses"
            self._found.problems.append(Problem(key, f"wires for {len(ways)} probes", allowed))
        # Also where they are too few: what can be wired is still checked, so that everything wrong is said at once.
        return {spot.number: way for spot, way in zip(spots, ways, strict=False)}

    # --- what all of them need ---------------------------------------------------------------------------------

    def _entries(self, table: str) -> list[Any]:
        found = self._source.raw.get(table, [])
        return found if isinstance(found, list) else []

    def _read(self, model: Any, entry: Any, path: KeyPath) -> tuple[Any, dict[str, Any]]:
        """Return an entry and what it says, without what is refused in it: the rest stands for tubs others may name."""
        read, says, refused = tolerant(model, entry)
        for error in refused:
            # A name that is still right in spite of the error may be referred to.
            self._found.names_known &= error["loc"][0] not in _NAMES_DEPEND_ON
            error["loc"] = (*path, *error["loc"])
        self._found.refused += refused
        return read, says

    def _too_many(self, table: str, more: int, path: KeyPath, field: str) -> bool:
        if len(self._made[table]) + more <= MOST_PROBES:
            return False
        self._found.names_known = False
        self._problem(path, field, more, f"{MOST_PROBES} at most in a file")
        return True

    def _problem(self, path: KeyPath, field: str, given: object, allowed: str) -> None:
        problem = Problem(self._source.key((*path, field)), show(given), allowed)
        if problem not in self._found.problems:
            self._found.problems.append(problem)

    def _label(self, path: KeyPath, what: str, name: object) -> str:
        key = self._source.key(path)
        return f'{key} {what} "{name}"' if isinstance(name, str) and showable(name) else key

    def _add(self, table: str, label: str, entry: Any, path: KeyPath) -> str:
        self._made[table].append((entry, label))
        self._lines.setdefault(label, self._line(path))
        return label

    def _note(self, label: str, path: KeyPath, keys: Iterable[str], *, below: bool = True) -> None:
        """Note on which lines the keys of a made entry stand: below `path`, or where `path` itself is."""
        for key in keys:
            self._lines[f"{label} .{key}"] = self._line((*path, key) if below else path)

    def _line(self, path: KeyPath) -> int:
        # What was made has no line of its own: the nearest thing above it that has one is where to look.
        while path and path not in self._file_lines:
            path = path[:-1]
        return self._file_lines.get(path, 1)


def _meant(name: str, spots: Sequence[_Spot]) -> list[str]:
    """Return the tubs that a name in `exceptions` means, capitals aside: one, or those of `shelf 3`."""
    wanted = name.casefold()
    shelf = wanted.removeprefix("shelf ")
    one = [spot.tub for spot in spots if spot.tub.casefold() == wanted]
    # A tub may itself be called "shelf 3". Two digits at most: int() refuses thousands of them.
    if one or shelf == wanted or not shelf.isdecimal() or len(shelf) > 2:
        return one
    return [spot.tub for spot in spots if spot.shelf == int(shelf)]


def _numbers(text: str) -> Iterator[int]:
    for part in text.split(","):
        first, _, last = part.strip().partition("-")
        yield from range(int(first), int(last or first) + 1)


def _filled(template: str, fields: Mapping[str, object]) -> str | None:
    """Return a template with its fields, None when it asks for others. `{number:02}` has at least two digits."""
    if any(match.group(1) not in fields for match in _FIELD.finditer(template)):
        return None
    text = _FIELD.sub(lambda match: str(fields[match.group(1)]).zfill(int(match.group(2) or 0)), template)
    # A brace that is left belongs to a slip, such as `{place`.
    return None if "{" in text or "}" in text else text


def _braced(fields: Mapping[str, object]) -> str:
    return ", ".join(f"{{{name}}}" for name in fields)


def _laid_over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Return `base` with what `own` says, tables key by key."""
    out = dict(base)
    for key, value in own.items():
        under = out.get(key)
        both = isinstance(value, Mapping) and isinstance(under, Mapping)
        out[key] = _laid_over(under, value) if both else value  # type: ignore[arg-type]
    return out
