"""The day's own messages: morning and all well, path tests and their reminder, the dead-man ping, the body's schema."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from tests.servers.receiver import Answer, Phone

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Command, Item
from dewkeeper.notify import links
from dewkeeper.notify.bodies import json_body
from dewkeeper.notify.body_schema import WebhookBody, json_schema
from dewkeeper.notify.desk import Desk
from dewkeeper.notify.heartbeat import beat
from dewkeeper.notify.plan import Context, Planner
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

ZONE = ZoneInfo("Europe/Vienna")
DAY = 86400
SIX = int(datetime(2026, 9, 22, 6, 0, tzinfo=ZONE).timestamp())


def config(**notify: object) -> Config:
    """Return one tub, one person with two channels, and these settings of telling."""
    return checked(
        Config,
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": "B4", "rack": "left"}],
            "probe": [{"name": "b4", "enclosure": "B4"}],
            "channel": [{"kind": "webhook", "name": n, "url": "http://localhost/"} for n in ("phone", "second")],
            "person": [{"name": "Marit", "channels": ["phone", "second"]}],
            "notify": notify,
        },
    )


def said() -> tuple[str, Sequence[str]]:
    """Return the words of a calm morning."""
    return "All well: 1 enclosures, night 21:00–08:00", ["Every enclosure was watched."]


def context() -> Context:
    """Return what words need, with a page and a key."""
    return Context(zone=ZONE, base_url="http://rack.local", link_key="any key", morning=said)


def test_the_morning_message_comes_once_a_day_at_its_hour() -> None:
    """Half past six, once, quiet hours or not, also after a restart; the next one a day later."""
    planner = Planner(config(morning_at="06:30"), None)
    assert planner.tick([], SIX, context()) == []
    rows = planner.tick([], SIX + 1800, context())
    assert next((row.kind, row.channel, row.not_before) for row in rows) == ("morning", "phone", 0)
    assert rows[0].title.startswith("All well")
    assert Planner(config(morning_at="06:30"), planner.state()).tick([], SIX + 3600, context()) == []
    assert [row.kind for row in planner.tick([], SIX + 1800 + DAY, context())] == ["morning", "morning"]


def test_a_morning_that_was_missed_is_left() -> None:
    """A daemon that starts in the afternoon does not send the morning."""
    assert Planner(config(morning_at="06:30"), None).tick([], SIX + 8 * 3600, context()) == []


def test_no_hour_means_no_morning_message() -> None:
    """Without `morning_at` there is none."""
    assert Planner(config(), None).tick([], SIX + 3600, context()) == []


def test_untested_ways_are_named_once_a_month() -> None:
    """After thirty days without a confirmed test every way is named; a confirmed one is not; then silence for a month."""
    planner = Planner(config(), None)
    planner.tick([], SIX, context())
    for day in range(1, 30):
        assert planner.tick([], SIX + day * DAY, context()) == []
    planner.heed(Command("c", SIX + 29 * DAY, "path_confirmed", "Marit", why="second"))
    rows = planner.tick([], SIX + 30 * DAY, context())
    assert {row.kind for row in rows} == {"path_test_due"}
    assert "over phone." in rows[0].lines[0]
    assert all(planner.tick([], SIX + day * DAY, context()) == [] for day in range(31, 59))


def test_days_a_stepped_clock_skipped_do_not_count() -> None:
    """A leap of ten years and back names no way as untested."""
    planner = Planner(config(), None)
    for at in (SIX, SIX + 3650 * DAY, SIX + 3650 * DAY + 60, SIX + 120, SIX + 180):
        assert planner.tick([], at, context()) == []


def test_a_path_test_is_one_real_message_with_a_link_that_confirms() -> None:
    """The asked-for test goes over its one channel without a stand-in, and its link names person and channel."""
    planner = Planner(config(), None)
    planner.heed(Command("c1", SIX, "path_test", "Marit", why="second"))
    (row,) = planner.plan([], [], SIX, context())
    assert (row.channel, row.kind, row.not_before) == ("second", "path_test", 0)
    token = str(row.facts["ack_link"]).rpartition("/")[2]
    assert links.verify("any key", token, SIX).alarm == "path/Marit/second"
    assert any(token in line for line in row.lines)


def test_the_desk_tests_the_chosen_ways_and_takes_confirmations() -> None:
    """`notify_test` makes a command per way, `notify_confirm` remembers, and unknown ways are refused."""
    taken: list[Item] = []

    def submit(item: Item) -> str:
        taken.append(item)
        return ""

    handlers = Desk(config(), submit, lambda: SIX).handlers()
    assert len(handlers["notify_test"]({})["sent"]) == 2
    assert handlers["notify_test"]({"channel": "phone"})["sent"] == [{"person": "Marit", "channel": "phone"}]
    handlers["notify_confirm"]({"way": "path/Marit/phone"})
    assert [item.verb for item in taken if isinstance(item, Command)] == ["path_test"] * 3 + ["path_confirmed"]
    for request in ({"do": "notify_confirm", "way": "path/Nobody/phone"}, {"do": "notify_confirm", "person": "Marit"}):
        with pytest.raises(CommandRefused):
            handlers["notify_confirm"](request)
    with pytest.raises(CommandRefused, match="Marit over phone"):
        handlers["notify_test"]({"person": "Nobody"})


def test_a_ping_is_one_request_that_is_answered(phone: Phone) -> None:
    """One request, answered; without an address none."""
    assert beat(config(heartbeat_url=phone.url)) == ""
    assert beat(config()) is None
    assert len(phone.calls) == 1


def test_a_failing_ping_is_tried_twice_and_never_raises(phone: Phone) -> None:
    """A reset is tried once more; a silent server holds it no longer than its deadline; both are not the daemon's end."""
    watched = config(heartbeat_url=phone.url)
    phone.next.append(Answer(manner="reset_before"))
    assert beat(watched) == ""
    phone.usual = Answer(manner="silent")
    assert "no answer within" in str(beat(watched, deadline_seconds=0.2))


def test_every_body_keeps_to_the_published_schema() -> None:
    """What is sent validates against the published shape, and the shape survives being written as JSON."""
    planner = Planner(config(morning_at="06:30"), None)
    planner.heed(Command("c1", SIX, "path_test", "Marit", why="second"))
    rows = planner.plan([], [], SIX, context()) + planner.tick([], SIX + 1800, context())
    for row in rows:
        WebhookBody.model_validate(json_body(row))
    assert json.loads(json.dumps(json_schema()))["required"][:2] == ["version", "type"]
