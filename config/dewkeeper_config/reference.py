"""What the field descriptions are made into: the commented sample file and the reference in Markdown.

Also the example racks, which are files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from dewkeeper_config.json_schema import Node, allowed, resolve, schema, toml_value
from dewkeeper_config.profiles import BUILT_IN

_WIDE = 3
"""A table with more keys than this gets its own heading in the sample; a smaller one is written in braces."""

_STARTED = ("timezone", "enclosure", "bus", "address")
"""Keys the sample sets although they may be left out: a first probe needs them."""

_FIRST_CHANNEL = "webhook"
"""The one kind of channel the sample sets up; the others, those of installed packages too, are commented out in it."""


@dataclass(frozen=True, slots=True)
class _Table:
    heading: str
    kind: str
    node: Node


def _top_tables() -> Iterator[_Table]:
    """Yield every table of the file's top level; each kind of channel is one."""
    for key, node in schema()["properties"].items():
        if node.get("type") != "array":
            yield _Table(f"[{key}]", key, _inner_table(node) or resolve(node))
            continue
        items = resolve(node["items"])
        members = items.get("discriminator", {}).get("mapping")
        if members is None:
            yield _Table(f"[[{key}]]", key, items)
        else:
            for kind, ref in members.items():
                yield _Table(f"[[{key}]]", kind, resolve({"$ref": ref}))


def examples() -> dict[str, str]:
    """Return the example racks shipped with the package: name -> TOML text, each a valid configuration."""
    folder = files("dewkeeper_config").joinpath("examples")
    return {
        file.name.removesuffix(".toml"): file.read_text(encoding="utf-8")
        for file in sorted(folder.iterdir(), key=lambda file: file.name)
        if file.name.endswith(".toml")
    }


# --- the sample ------------------------------------------------------------------------------------------------


def sample() -> str:
    """Return a commented sample file that is itself valid.

    Lines that begin with `# ` explain; lines that begin with `#` and a key can be uncommented.
    """
    lines = [
        "# dewkeeper configuration (TOML). Check it with: dewkeeper config check",
        "# Lines like this explain. Lines like `#key = value` show the default, or an example: uncomment to change.",
        "# dewkeeper only watches: every heater needs its own thermostat and an independent over-temperature cut-out.",
        "# Limits are common practice, yours to edit, and no veterinary advice.",
    ]
    explained: set[str] = set()
    order = (_FIRST_CHANNEL, "mail")
    for table in sorted(_top_tables(), key=lambda t: (_position(t), (*order, t.kind).index(t.kind))):
        # Commented out whole: a first rack has no profile of its own, no server, other site or further account.
        optional = table.kind in ("profile", "collect", "collector", "neighbour") or (
            table.heading == "[[channel]]" and table.kind != _FIRST_CHANNEL
        )
        mark = "#" if optional else ""
        lines += ["", *_prose(table.node["description"]), f"{mark}{table.heading}"]
        lines += _sample_fields(table.node, table.heading.strip("[]"), mark, explained)
    return "\n".join(lines) + "\n"


def _position(table: _Table) -> int:
    return list(schema()["properties"]).index(table.heading.strip("[]"))


def _sample_fields(node: Node, path: str, mark: str, explained: set[str]) -> Iterator[str]:
    nested: list[tuple[str, Node, Node]] = []
    for key, field in node["properties"].items():
        inner = _inner_table(field)
        # A secret is a table too, and is written as text or in braces, never below a heading of its own.
        if inner is not None and len(inner["properties"]) > _WIDE and "/SecretSource" not in str(field):
            nested.append((key, field, inner))
            continue
        active = key in node.get("required", []) or key in _STARTED
        yield from _prose(field["description"] if "const" in field else f"{field['description']} ({allowed(field)})")
        yield f"{mark if active else '#'}{key} = {toml_value(_value(field), field)}"
    for key, field, inner in nested:  # after the plain keys: TOML would take those for the inner table's
        yield from ["", *_prose(field["description"]), f"#[{path}.{key}]"]
        if inner["description"] in explained:
            yield from _prose("Keys as above.")
            continue
        explained.add(inner["description"])
        yield from _sample_fields(inner, f"{path}.{key}", "#", explained)


def _inner_table(field: Node) -> Node | None:
    """Return the table that is this field's value, None for a plain value or a list."""
    whole = resolve(field)
    for option in map(resolve, [whole, *whole.get("anyOf", [])]):
        if "properties" in option:
            return option
    return None


def _value(field: Node) -> Any:
    """Return the example, else the default."""
    if "examples" in field:
        return field["examples"][0]
    if "default" in field:
        return field["default"]
    return field["const"]  # a field has a default, a tag its constant, and all others examples: by test


def _prose(text: str) -> Iterator[str]:
    """Yield comment lines of at most 110 characters."""
    line = "#"
    for word in text.split():
        if len(line) + 1 + len(word) > 110:
            yield line
            line = "#"
        line += f" {word}"
    yield line


# --- the reference ---------------------------------------------------------------------------------------------


def reference() -> str:
    """Return the reference of every key of every table, as Markdown."""
    lines = [
        "# Configuration reference",
        "",
        "Made from the field descriptions by `dewkeeper config reference`; edit those, not this file.",
        "A key without a default must be given. Temperatures are °C, humidities %RH.",
        'Entries of a list (`[[probe]]`) are counted from 1 in messages: `probe[3] "b4" .address`.',
        "Unknown keys, quoted numbers, `nan` and `inf` are refused, all problems at once, and the last good",
        "configuration stays in force.",
    ]
    told: dict[str, Node] = {}
    for table in _top_tables():
        title = f"{table.heading} {table.kind}" if table.kind != table.heading.strip("[]") else table.heading
        lines += _reference_table(f"`{title}`", table.node)
        _gather(table.node, told)
    for name, node in told.items():
        lines += _reference_table(f"Inside: {name}", node)
    return "\n".join([*lines, *_profile_table()]) + "\n"


def _gather(node: Node, told: dict[str, Node]) -> None:
    """Collect the tables inside tables, each once, outer ones first."""
    for key, field in node["properties"].items():
        for option in (field, field.get("items", {}), field.get("additionalProperties", {}), *field.get("anyOf", [])):
            if not isinstance(option, dict) or "$ref" not in option:
                continue
            name = option["$ref"].rsplit("/", 1)[1]
            inner = _inner_table(option)
            if inner is not None and name not in told:
                told[name] = inner | {"used": key}
                _gather(inner, told)


def _reference_table(title: str, node: Node) -> Iterator[str]:
    yield from ["", f"## {title}", "", node["description"], ""]
    yield from ["| key | allowed | default | meaning |", "| --- | --- | --- | --- |"]
    for key, field in node["properties"].items():
        if key in node.get("required", []):
            default = "*required*"
        elif field.get("default") is None:
            default = "left out"
        else:
            default = f"`{toml_value(field['default'], field)}`"
            default = "see below" if len(default) > 60 else default
        yield f"| `{key}` | {allowed(field)} | {default} | {field['description']} |"


def _profile_table() -> Iterator[str]:
    yield from ["", "## Built-in profiles", ""]
    yield "Common practice, yours to edit, and no veterinary advice: no controlled trial ties a humidity to good sheds."
    yield from [
        "",
        "| profile | target %RH | tolerable %RH | target °C, not judged | tolerable °C | danger °C | about |",
    ]
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for name, profile in BUILT_IN.items():
        limits = profile.limits
        warm = (limits.temperature_target, limits.temperature_tolerable)
        spans = (limits.humidity_target, limits.humidity_tolerable, *warm)
        shown = " | ".join("–" if span is None else f"{span.low:g}–{span.high:g}" for span in spans)
        yield f"| `{name}` | {shown} | {limits.temperature_danger:g} | {profile.about} |"
