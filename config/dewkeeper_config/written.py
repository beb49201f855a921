"""A configuration written out as a file: every bus, enclosure and probe by itself, with the limits it is judged by.

What is printed reads back as the same configuration. Secrets that stand in the file itself are not printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import time
from pathlib import Path
from typing import Any

from dewkeeper_config.json_schema import toml_key, toml_value
from dewkeeper_config.models import Config, Enclosure, Limits, Model
from dewkeeper_config.models.secrets import NOT_SHOWN, SecretSource
from dewkeeper_config.profiles import limits_of_enclosure, stage_limits


def written_out(config: Config) -> str:
    """Return a configuration as TOML. Only what was given is written: what was left out has its default."""
    limits = stage_limits(config)
    lines: list[str] = []
    for table in config.field_names:
        if table not in config.given:
            continue
        value = getattr(config, table)
        if isinstance(value, list):
            for entry in value:
                judged = [_judged_by(limits_of_enclosure(entry, limits))] if isinstance(entry, Enclosure) else []
                lines += ["", f"[[{table}]]", *judged, *_keys(entry)]
        else:
            lines += ["", f"[{table}]", *_keys(value)]
    text = "\n".join(lines[1:]) + "\n"
    if toml_value(NOT_SHOWN) in text:
        text = f"# Secrets that stand in the file are not shown: {toml_value(NOT_SHOWN)} is in their place.\n\n" + text
    return text


def _keys(table: Model) -> Iterator[str]:
    addresses = {one.name for one in fields(table) if "address" in one.metadata.get("description", "").lower()}  # type: ignore[arg-type]
    for key, value in table:
        if key in table.given:
            yield f"{toml_key(key)} = {_value(value, hexadecimal=key in addresses)}"


def _value(value: Any, *, hexadecimal: bool) -> str:
    """Return a value as TOML; I2C addresses in hexadecimal, as in every data sheet."""
    if isinstance(value, list):
        return "[" + ", ".join(_value(one, hexadecimal=hexadecimal) for one in value) + "]"
    if isinstance(value, Model) and not isinstance(value, SecretSource):
        inner = ", ".join(_keys(value))
        return f"{{ {inner} }}" if inner else "{}"
    # Not isinstance: True is an int.
    return f"{value:#04x}" if hexadecimal and type(value) is int else toml_value(plain(value))


def plain(value: Any) -> Any:
    """Return what was given of a model as TOML can say it: tables, lists, text, numbers."""
    if isinstance(value, SecretSource):
        given = {key: str(inner) for key, inner in value if inner is not None}
        return NOT_SHOWN if value.value is not None else given
    if isinstance(value, Model):
        return {key: plain(inner) for key, inner in value if key in value.given}
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    if isinstance(value, time):
        return value.isoformat("minutes") if value.second == 0 else value.isoformat()
    if isinstance(value, Path):
        return str(value)
    return False if value is None else value  # TOML says "none" as `false`, where it can be said at all


def _judged_by(limits: Limits) -> str:
    wanted, tolerable, warm = limits.humidity_target, limits.humidity_tolerable, limits.temperature_tolerable
    best = limits.temperature_target
    shown = "" if best is None else f" (target {best.low:g} to {best.high:g} °C, not judged)"
    return (
        f"# judged by: target {wanted.low:g} to {wanted.high:g} %RH, tolerable {tolerable.low:g} to {tolerable.high:g} %RH, "
        f"{warm.low:g} to {warm.high:g} °C{shown}, danger above {limits.temperature_danger:g} °C"
    )
