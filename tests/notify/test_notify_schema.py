"""The published shape of the webhook: the file, what is sent, the worked examples, the key's exchange."""

from __future__ import annotations

import json
import re
import time
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import jsonschema
import pytest
from standardwebhooks.webhooks import Webhook as Verifier
from standardwebhooks.webhooks import WebhookVerificationError
from tests.servers.receiver import Phone

from dewkeeper.cli import main
from dewkeeper.judge.types import Command, Event, Kind
from dewkeeper.judge.words import EXCURSIONS, KINDS
from dewkeeper.notify.bodies import fields, json_body
from dewkeeper.notify.gather import parcels
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.notify.webhook import Webhook
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config, Notify, WebhookChannel

DAEMON = Path(__file__).parents[2] / "daemon"
FILE = DAEMON / "webhook.schema.json"
PROSE = (DAEMON / "WEBHOOK.md").read_text()
ZONE = ZoneInfo("Europe/Vienna")
NOW = 1_790_000_000
OLD, NEW = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_bm90IHRoZSBvbGQga2V5IGF0IGFsbCE="
MESSAGE = Message(
    "m1", NOW, "Marit", "phone", 'B4: too dry since 02:10 – "refill"', ("one", "two"), "medium", "dry", alarm="a1",
    event="e1", facts={"happening": "raised", "kind": "dry", "since": NOW - 3600, "action": "refill", "link": "http://x/"},
)  # fmt: skip


def planned() -> list[Message]:
    """Return a message of every kind and happening, and of everything that is no alarm."""
    config = checked(
        Config,
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": f"B{n}", "rack": "left"} for n in range(40)],
            "probe": [{"name": f"b{n}", "enclosure": f"B{n}"} for n in range(40)],
            "channel": [{"kind": "webhook", "name": "phone", "url": "http://localhost/"}],
            "person": [{"name": "Marit", "channels": ["phone"], "daily_budget": 3}],
            "notify": {"morning_at": "00:00"},
        },
    )
    context = Context(zone=ZONE, base_url="http://rack.local", link_key="any", morning=lambda: ("All well", ["x"]))
    planner = Planner(config, None)
    # Without a morning message nothing waits for it, and each kind is told by itself.
    talkative = Planner(config.but(notify=Notify()), None)
    rows: list[Message] = []
    for number, kind in enumerate(get_args(Kind)):
        for happening in ("raised", "escalated", "cleared"):
            at = NOW + 2000 * number
            event = Event(
                f"{kind}/{happening}", f"alarm {kind}", at, happening, kind, f"B{number}", f"b{number}",
                "tolerable" if kind in EXCURSIONS else None, KINDS[kind].priority_for("tolerable"), "unacknowledged",
                at - 60, value=20.0, limit=25.0,
            )  # fmt: skip
            rows += talkative.plan([event], [], at, context)
    planner.heed(Command("c", NOW, "path_test", "Marit", why="phone"))
    rows += planner.plan([], [], NOW, context)
    for day in range(33):  # a leap of more than a day would be taken for a stepped clock
        rows += planner.tick([], NOW + 8 * 3600 + day * 86400, context)
    together = [
        replace(
            Event(f"g{n}", f"g{n}", NOW, "raised", "dry", f"B{n}", f"b{n}", "target", "low", "unacknowledged", NOW),
            detail={"text": "x"},
        )
        for n in range(30, 33)
    ]
    rows += talkative.plan(together, [], NOW, context)
    digest = parcels([replace(MESSAGE, id=f"d{n}", alarm=f"d{n}") for n in range(6)], Wording(ZONE), NOW + 7200)
    return rows + [parcel.message for parcel in digest]


def test_the_published_file_is_what_the_command_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """`dewkeeper notify schema` and the checked-in file are the same, and a valid schema (JSON Schema 2020-12)."""
    assert main(["notify", "schema"]) == 0
    assert capsys.readouterr().out == FILE.read_text()
    jsonschema.Draft202012Validator.check_schema(json.loads(FILE.read_text()))


def test_everything_that_is_sent_keeps_to_the_published_file() -> None:
    """Every kind and happening, groups, digests, mornings, tests, reminders: an outside validator accepts each body."""
    validator = jsonschema.Draft202012Validator(json.loads(FILE.read_text()))
    rows = planned()
    bodies = [json.loads(json.dumps(json_body(row))) for row in rows]
    for body in bodies:
        validator.validate(body)
    assert {row.kind for row in rows} >= {*get_args(Kind), "morning", "path_test", "path_test_due", "budget", "digest"}
    assert any(body["data"].get("members") for body in bodies)
    assert any(body["gathers"] for body in bodies)


def test_the_published_file_refuses_what_is_not_a_body() -> None:
    """A body without its id, with a title too long for a lock screen, or of another priority is not valid."""
    validator = jsonschema.Draft202012Validator(json.loads(FILE.read_text()))
    good = json_body(MESSAGE)
    without = {name: value for name, value in good.items() if name != "id"}
    for bad in (without, {**good, "title": "x" * 61}, {**good, "priority": "loud"}, {**good, "version": 2}):
        assert not validator.is_valid(bad)


def example(name: str, phone: Phone) -> WebhookChannel:
    """Return a channel as the prose shows it, to this phone and with its secrets written out."""
    for block in re.findall(r"```toml\n(.*?)```", PROSE, re.DOTALL):
        (channel,) = tomllib.loads(block)["channel"]
        if channel["name"] == name:
            return checked(WebhookChannel, _written_out(channel) | {"url": phone.url})
    raise AssertionError(f"no example {name}")


def _written_out(value: Any) -> Any:
    match value:
        case {"credential": "webhook_key_new"}:
            return {"value": NEW}
        case {"credential": "webhook_key_old"}:
            return {"value": OLD}
        case {"credential": name}:
            return {"value": f"the {name}"}
        case dict():
            return {key: _written_out(inner) for key, inner in value.items()}
        case list():
            return [_written_out(inner) for inner in value]
        case _:
            return value


@pytest.mark.parametrize(
    ("name", "content_type", "body"),
    [
        ("push", "text/plain; charset=utf-8", 'B4: too dry since 02:10 – "refill"\none\ntwo'),
        ("push-short", "text/plain; charset=utf-8", 'B4: too dry since 02:10 – "refill"\nrefill\nhttp://x/'),
        ("chat", "application/json", {"username": "rack", "content": 'B4: too dry since 02:10 – "refill"\none\ntwo'}),
    ],
)
def test_the_worked_examples_work(phone: Phone, name: str, content_type: str, body: object) -> None:
    """The examples for a push service and a chat, as they stand in the prose, send what such services take."""
    Webhook(example(name, phone)).send(MESSAGE, 5)
    (call,) = phone.calls
    assert call.headers["content-type"] == content_type
    assert (call.json() if content_type == "application/json" else call.body.decode()) == body
    if name == "push":
        assert call.headers["authorization"] == "the push_token"


def test_the_prose_names_every_field_of_a_template() -> None:
    """The list of fields in the prose is the list there is."""
    told = re.findall(r"`(\w+)`", PROSE.partition("\nFields: ")[2].partition(". ")[0])
    assert told == list(fields(MESSAGE))


@pytest.mark.parametrize("key", [OLD, NEW])
def test_either_key_verifies_what_is_sent_while_keys_are_exchanged(phone: Phone, key: str) -> None:
    """The specification's own library (standardwebhooks, from its reference repository) accepts with either key alone."""
    Webhook(example("house", phone), time.time).send(MESSAGE, 5)
    (call,) = phone.calls
    assert Verifier(key).verify(call.body, dict(call.headers))["id"] == MESSAGE.id


def test_the_specifications_library_refuses_another_key_and_a_changed_body(phone: Phone) -> None:
    """It refuses what was signed with a key it does not know, and a body that was changed on the way."""
    Webhook(example("house", phone), time.time).send(MESSAGE, 5)
    (call,) = phone.calls
    with pytest.raises(WebhookVerificationError):
        Verifier("whsec_" + "A" * 32).verify(call.body, dict(call.headers))
    with pytest.raises(WebhookVerificationError):
        Verifier(OLD).verify(call.body.replace(b"B4", b"B5"), dict(call.headers))
