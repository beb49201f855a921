"""The published JSON schema of the file, and the words for what a field allows that are read from it."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from dewkeeper_config.models import ChannelConfig, ConfigFile
from dewkeeper_config.models.channel_kinds import installed_kinds

Node = dict[str, Any]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def _schema() -> Node:
    return _made(installed_kinds())


@lru_cache(maxsize=8)
def _made(_kinds: tuple[type[ChannelConfig], ...]) -> Node:
    """Return the schema with these kinds of channel beside ours; it reads from the models which there are."""
    from dewkeeper_config.door import adapter  # pydantic; who only writes TOML needs none

    root = adapter(ConfigFile).json_schema()
    root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    root["title"] = "dewkeeper configuration"
    secret = root["$defs"]["SecretSource"]
    # Exactly one of the four, as `SecretSource` asks for; or a text, which is read as `{value = ...}`.
    secret |= {"minProperties": 1, "maxProperties": 1}
    root["$defs"]["SecretSource"] = {
        "description": secret["description"],
        "anyOf": [{"type": "string", "minLength": 1}, secret],
    }
    # TOML has no null: what may be null is left out, except where `false` was given that meaning.
    for table, key in (("Person", "quiet_hours"), ("Notify", "round_at")):
        field = root["$defs"][table]["properties"][key]
        field["anyOf"] = [{"const": False} if option == {"type": "null"} else option for option in field["anyOf"]]
    for node in _nodes(root):
        if {"type": "null"} in node.get("anyOf", []):
            rest = [option for option in node.pop("anyOf") if option != {"type": "null"}]
            node |= {"anyOf": rest} if len(rest) > 1 else rest[0]
            node.pop("default", None)
        if isinstance(node.get("default"), dict):
            node["default"] = _without_nulls(node["default"])
        if isinstance(node.get("title"), str) and node is not root:
            del node["title"]  # made from the key by a machine; says nothing the key does not
    return root


def _nodes(node: Any) -> Iterator[Node]:
    """Yield every mapping below and including this one that is a schema, children first."""
    children = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    for child in list(children):
        yield from _nodes(child)
    if isinstance(node, dict):
        yield node


def _without_nulls(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    return {key: _without_nulls(inner) for key, inner in value.items() if inner is not None}


def schema() -> Node:
    """Return the JSON schema (draft 2020-12) of the parsed TOML file; a fresh copy."""
    return copy.deepcopy(_schema())


def resolve(node: Node) -> Node:
    """Return the definition a reference points to, or the node itself."""
    while "$ref" in node:
        node = _schema()["$defs"][node["$ref"].rsplit("/", 1)[1]]
    return node


def is_secret(node: Node) -> bool:
    """Whether this node, or its items or values, holds a secret."""
    inner = [node, node.get("items", {}), node.get("additionalProperties", {}), *node.get("anyOf", [])]
    return any(isinstance(n, dict) and n.get("$ref", "").endswith("/SecretSource") for n in inner)


def node_at(path: Sequence[str | int], tags: Sequence[str]) -> Node | None:
    """Return the schema node of a path of keys and indices, None where the schema has no such key.

    tags: kinds of channel met on the way, which pick the member of the union.
    """
    node = resolve(_schema())
    left = list(tags)
    for part in path:
        node = _choose(resolve(node), left)
        if isinstance(part, int):
            found = node.get("items")
        else:
            found = node.get("properties", {}).get(part) or node.get("additionalProperties")
        if not isinstance(found, dict):
            return None
        node = found
    return node


def _choose(node: Node, tags: list[str]) -> Node:
    if "oneOf" in node:
        mapping = node["discriminator"]["mapping"]
        return resolve({"$ref": mapping[tags.pop(0)]}) if tags and tags[0] in mapping else {}
    tables = [option for option in map(resolve, node.get("anyOf", [])) if option.get("type") == "object"]
    return tables[0] if tables else node


_TYPES = {
    "string": "text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "object": "a table",
    "array": "a list",
}


def allowed(node: Node) -> str:
    """Say in words what a schema node allows: type, range, choices."""
    if node.get("$ref", "").endswith("/SecretSource"):
        return "text, or one of {file = ...}, {env = ...}, {credential = ...}"
    node = resolve(node)
    if "enum" in node:
        return "one of " + ", ".join(map(toml_value, node["enum"]))
    if "const" in node:
        return toml_value(node["const"])
    if "oneOf" in node:
        return "a table of kind " + ", ".join(map(toml_value, node["discriminator"]["mapping"]))
    if "anyOf" in node:
        return " or ".join(allowed(option) for option in node["anyOf"])
    if node.get("format") == "time":
        return "a local time such as 21:00"
    if node.get("format") == "path":
        return "a path"
    words = _TYPES.get(str(node.get("type")), "any value")
    if node.get("type") == "array":
        return _list_words(node)
    if node.get("type") == "object" and isinstance(node.get("additionalProperties"), dict):
        return "a table of " + allowed(node["additionalProperties"]).replace("text, or one of", "texts or")
    return words + _bounds(node)


def _bounds(node: Node) -> str:
    low, high = node.get("minimum"), node.get("maximum")
    above = node.get("exclusiveMinimum")
    words = ""
    if low is not None and high is not None:
        words = f", {_number(low, node)} to {_number(high, node)}"
    elif above is not None and high is not None:
        words = f", above {above:g} to {high:g}"
    elif low is not None:
        words = f", {low:g} or more"
    if "maxLength" in node:
        words += f", {node.get('minLength', 0)} to {node['maxLength']} characters"
    return words


def _list_words(node: Node) -> str:
    items = node.get("items", {})
    least, most = node.get("minItems"), node.get("maxItems")
    words = "a list" if not items else f"a list, each {allowed(items)}"
    if least:
        words += f"; at least {least}"
    if most:
        words += f"; at most {most}"
    return words


def _number(value: float, node: Node) -> str:
    return toml_value(value, node) if isinstance(value, int) else f"{value:g}"


def toml_value(value: Any, node: Node | None = None) -> str:
    """Write a value as TOML would; I2C addresses in hexadecimal, as in every data sheet."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        options = [] if node is None else map(resolve, [node, *node.get("anyOf", [])])
        if any(option.get("format") == "time" for option in options):
            value = value.removesuffix(":00") if value.count(":") > 1 else value
        return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(item, node) for item in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{toml_key(key)} = {toml_value(v, _child(node, key))}" for key, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, int):
        # By the words of the field: JSON schema has no hexadecimal to go by.
        is_address = node is not None and "address" in node.get("description", "").lower()
        return f"{value:#04x}" if is_address else str(value)
    return f"{value:g}" if float(f"{value:g}") == value else repr(value)


def toml_key(key: str) -> str:
    """Write a key as TOML would: in quotes only where it needs them."""
    return key if _BARE_KEY.fullmatch(key) else toml_value(key)


def _child(node: Node | None, key: str) -> Node | None:
    for option in map(resolve, [] if node is None else [node, node.get("items", {}), *node.get("anyOf", [])]):
        if key in option.get("properties", {}):
            return dict(option["properties"][key])
    return None
