"""What a webhook carries: our own JSON, plain text, or a template of the keeper's."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from string import Formatter
from typing import Any

from dewkeeper.interchange import format_time
from dewkeeper.notify.errors import ChannelUnusable
from dewkeeper.notify.gather import type_of
from dewkeeper.store.records import Message
from dewkeeper_config.models import WebhookChannel

BODY_VERSION = 1
_TIMES = frozenset({"since", "until", "respond_by", "now_at"})
# Facts by which rows are planned, put together and reworded: nothing to a receiver.
_INTERNAL = frozenset(
    {"siblings", "group", "stand_in", "gathers", "ack_all_link", "stepped", "at", "unworded", "left_off"}
)
_TEXT_FACTS = ("enclosure", "probe", "rack", "room", "band", "happening", "action", "link", "ack_link", "since")


@dataclass(frozen=True, slots=True)
class Body:
    """Bytes and what they are."""

    content: bytes
    content_type: str


def json_body(message: Message) -> dict[str, Any]:
    """Return the JSON object of a message, as the published schema (webhook.schema.json) describes it."""
    data = {
        name: format_time(value) if name in _TIMES and isinstance(value, int) else value
        for name, value in message.facts.items()
        if name not in _INTERNAL and value not in (None, "", [], ())
    }
    return {
        "version": BODY_VERSION,
        "type": type_of(message),
        "timestamp": format_time(message.created),
        "id": message.id,
        "event": message.event,
        "alarm": message.alarm,
        "person": message.person,
        "priority": message.priority,
        "title": message.title,
        "lines": list(message.lines),
        "data": data,
        "gathers": list(message.facts.get("gathers", ())),
    }


def plain_text(message: Message) -> str:
    """Return title and lines as one text."""
    return "\n".join([message.title, *message.lines])


def fields(message: Message) -> dict[str, str]:
    """Return the named fields a template may use."""
    made = {
        "title": message.title,
        "text": "\n".join(message.lines),
        "kind": message.kind,
        "priority": message.priority,
        "person": message.person,
        "id": message.id,
        "event": message.event or "",
        "alarm": message.alarm or "",
        "time": format_time(message.created),
    }
    for name in _TEXT_FACTS:
        value = message.facts.get(name)
        made[name] = format_time(value) if name in _TIMES and isinstance(value, int) else str(value or "")
    return made


def check_template(template: str) -> None:
    """Raise ChannelUnusable, with every reason, if a template uses what is not a field."""
    example = fields(Message("", 0, "", "", "", (), "", ""))
    wrong = []
    for _, name, spec, conversion in Formatter().parse(template):
        if name is not None and (name not in example or spec or conversion):
            wrong.append("{" + name + "}")
    if wrong:
        raise ChannelUnusable(f"template fields {', '.join(wrong)} are not among: {', '.join(example)}")


def fill(template: str, values: Mapping[str, str], *, as_json: bool) -> str:
    """Return the template with its fields filled in; inside JSON the values are escaped as JSON strings are."""
    pieces = []
    for literal, name, _, _ in Formatter().parse(template):
        pieces.append(literal)
        if name is not None:
            value = values[name]
            # Without the quotes, which stand in the template.
            pieces.append(json.dumps(value, ensure_ascii=False)[1:-1] if as_json else value)
    return "".join(pieces)


def make_body(config: WebhookChannel, message: Message) -> Body:
    """Return the body this channel wants."""
    if config.body == "json":
        text = json.dumps(json_body(message), ensure_ascii=False, separators=(",", ":"))
        return Body(text.encode(), "application/json")
    kind = config.content_type or "text/plain; charset=utf-8"
    if config.body == "text" or config.template is None:
        return Body(plain_text(message).encode(), kind)
    as_json = kind.partition(";")[0].strip().lower().endswith("json")
    return Body(fill(config.template, fields(message), as_json=as_json).encode(), kind)
