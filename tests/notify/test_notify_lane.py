"""One channel's bookkeeping: sends that outlive their deadline, groups merged when due."""

from __future__ import annotations

import threading
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import DeadlinePassed, TemporaryFailure
from dewkeeper.notify.gather import Parcel, parcels
from dewkeeper.notify.lane import MOST_ABANDONED, Lane
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message

NOW = 1_790_000_000
WORDING = Wording(ZoneInfo("Europe/Vienna"))
MESSAGE = Message("m", NOW, "Marit", "names", "title", (), "low", "dry", event="e")


class StalledNames(Channel):
    """A channel as it is when the system's name look-up never answers: no connection to shut down."""

    name = "names"
    timeout_seconds = 0.05

    def __init__(self) -> None:
        self.answers = threading.Event()

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        self.answers.wait()
        raise TemporaryFailure("too late")


def test_at_most_four_sends_are_given_up_before_the_channel_rests() -> None:
    """Each hanging look-up costs one thread; from four on nothing more is started until one of them ends."""
    channel = StalledNames()
    lane = Lane(channel)
    parcel = Parcel(MESSAGE, (MESSAGE,))
    for _ in range(MOST_ABANDONED):
        assert not lane.stuck()
        ended = threading.Event()
        lane.start(parcel, 0.0, ended.set)
        outcome = None
        while outcome is None:
            ended.wait(0.01)
            outcome = lane.take()
        with pytest.raises(DeadlinePassed):
            outcome()
        assert not lane.busy
    assert lane.stuck()
    channel.answers.set()
    lane.wait_for_end(10.0)
    assert not lane.stuck()


def member(name: str, minute: int, happening: str = "raised") -> Message:
    """Return the held row of one tub of a group."""
    since = NOW + 60 * minute
    facts = {
        "happening": happening, "kind": "dry", "band": "tolerable", "since": since, "enclosure": name, "rack": "left",
        "room": "snake room", "group": "g", "alarms": [f"alarm {name}"],
    }  # fmt: skip
    if happening == "cleared":
        facts["until"] = since + 1800
    return Message(
        f"{name}/{happening}", since, "Marit", "phone", f"{name}: too dry", ("x",), "medium", "dry", alarm=f"alarm {name}",
        event=f"event {name}", thread=f"alarm {name}", not_before=NOW + 900, facts=facts,
    )  # fmt: skip


def test_members_of_a_group_that_are_due_together_become_one_message() -> None:
    """Twenty-one tubs that waited for the window to close are one message, which settles all their rows."""
    rows = [member(f"B{n}", n % 10) for n in range(1, 22)]
    (parcel,) = parcels(rows, WORDING, NOW + 900)
    assert parcel.message.title == "21 tubs in rack left: too dry since 16:13 – treat the room"
    assert {row.id for row in parcel.carries} == {row.id for row in rows}
    assert len(parcel.message.facts["members"]) == 21


def test_a_member_already_over_is_told_as_over() -> None:
    """Of two tubs one is over before the window closes: it is told in the past tense, the other as it stands."""
    rows = [member("B1", 1), member("B2", 2), member("B1", 1, "cleared")]
    (parcel,) = parcels(rows, WORDING, NOW + 900)
    assert parcel.message.title == "B2: too dry since 16:15 – refill bowl (+1 more)"
    assert "B1: was too dry 16:14–16:44 – nothing to do" in parcel.message.lines
