"""What a site says of itself beside what it stored: how its rooms stand, and the small facts that its reports are told by.

Current only: of the past the settings tell, which are items. No secret, no person and no way to reach one is in it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from typing import Any, Final

import psycopg

from dewkeeper_config import effective_limits
from dewkeeper_config.door import adapter
from dewkeeper_config.models import Config, Enclosure, ProbeConfig, Profile, Rack, Round, Site, Web
from dewkeeper_config.plain import from_plain, from_text, to_plain

NOTE: Final = "layout"
"""Name of the note that says how the rooms stand."""
LINE: Final = "line"
"""Name of the note that says how the site was when it sent last: {"told": Unix time by the server's clock, "said": ...}."""
_TABLES: Final[Mapping[str, Any]] = {
    "site": Site, "profile": list[Profile], "rack": list[Rack], "enclosure": list[Enclosure], "probe": list[ProbeConfig],
    "round": Round,
}  # fmt: skip
_THERE: Final = "SELECT to_regclass('dewkeeper.note') IS NOT NULL"


def layout_text(config: Config) -> str:
    """Return as JSON how a site's rooms stand, and where its own page is reached if it says so."""
    said = {name: to_plain(getattr(config, name), only_given=True) for name in _TABLES if name in config.given}
    return json.dumps({**said, "web": {"base_url": config.web.base_url}}, separators=(",", ":"), sort_keys=True)


def layout_config(text: str) -> Config:
    """Return the configuration that a layout is part of; what it does not say is as by default, and nobody is told. Raises ValueError."""
    said = from_text(dict[str, Any], text)
    # By pydantic, for it comes from elsewhere: another site may have written anything.
    tables = {
        name: adapter(kind).validate_json(json.dumps(said[name])) for name, kind in _TABLES.items() if name in said
    }
    web = Web(base_url=from_plain(dict[str, str | None], said.get("web", {})).get("base_url"))
    found = Config(**{"rack": [], "enclosure": [], "probe": [], "channel": [], "person": [], **tables, "web": web})
    _check(found, tables.keys())
    return found


def _check(config: Config, said: Collection[str]) -> None:
    """Raise ValueError where something is named that is not there: the layout comes from elsewhere, and screens rely on it."""
    if missing := {"rack", "enclosure", "probe"} - set(said):
        raise ValueError(f"nothing is said of {', '.join(sorted(missing))}")
    racks, enclosures = {rack.name for rack in config.rack}, {enclosure.name for enclosure in config.enclosure}
    for enclosure in config.enclosure:
        if enclosure.rack not in racks:
            raise ValueError(f"{enclosure.name} is in a rack that is not there")
        try:
            effective_limits(config, enclosure.name)
        except KeyError as error:
            raise ValueError(f"{enclosure.name} has a profile that nobody knows here") from error
    if lost := [
        probe.name for probe in config.probe if probe.enclosure is not None and probe.enclosure not in enclosures
    ]:
        raise ValueError(f"the probes {', '.join(lost)} are in enclosures that are not there")


def tell(cursor: psycopg.Cursor[Any], site: int, notes: Mapping[str, str]) -> None:
    """Bring a site's notes on the server to these; one whose schema has no place for them is told nothing."""
    row = cursor.execute(_THERE).fetchone()
    if row is None or not row[0]:
        return
    there = dict(cursor.execute("SELECT name, md5(value) FROM note WHERE site = %s", (site,)).fetchall())
    # PostgreSQL's text holds no NUL.
    kept = {name: value.replace("\0", "\ufffd") for name, value in notes.items()}
    if there.keys() - kept.keys():
        cursor.execute("DELETE FROM note WHERE site = %s AND NOT name = ANY(%s)", (site, list(kept)))
    for name, value in kept.items():
        if there.get(name) != hashlib.md5(value.encode(), usedforsecurity=False).hexdigest():
            cursor.execute(
                "INSERT INTO note (site, name, value) VALUES (%s, %s, %s) "
                "ON CONFLICT (site, name) DO UPDATE SET value = excluded.value",
                (site, name, value),
            )
