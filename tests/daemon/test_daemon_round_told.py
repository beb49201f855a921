"""The message of the round over a real webhook and real mail: what is due is told, the air of a shed to be graded is not."""

from __future__ import annotations

import re
from typing import Any

import pytest

from dewkeeper_config.loading import parse
from dewkeeper_demo.inbox import Inbox

DAY = 86400
OF_THE_AIR = re.compile(r"%|humidity|damp|\bdry|above target", re.IGNORECASE)


@pytest.mark.parametrize("way", ["webhook", "mail"])
def test_a_shed_to_be_graded_is_told_without_its_air(racks: Any, way: str) -> None:
    """A tub that is too dry, and was cleaned before it was damp, has a shed to grade: at 18:00 the message says what is due and no word of the air, in its JSON too."""
    with Inbox() as inbox:
        told = {
            "webhook": f'kind = "webhook", url = "http://127.0.0.1:{inbox.http_port}/"',
            "mail": f'kind = "mail", host = "127.0.0.1", port = {inbox.smtp_port}, security = "none", '
            'sender = "rack@example.org", to = ["ina@example.org"]',
        }[way]
        text = racks.text(humidity_percent=48.0).replace(f'kind = "webhook", name = "phone", url = "{racks.url}"', f'name = "phone", {told}')  # fmt: skip
        daemon = racks.start(parse(text.encode(), racks.folder / "test.toml"))
        now = int(racks.clock.wall())
        for days, what in ((39, "cleaned"), (12, "opaque"), (0, "shed")):
            entry = {"what": what, "enclosure": "T1", "time": now - days * DAY - 60}
            daemon.handle({"do": "journal", "who": "Ina", **entry})
        racks.clock.advance(3 * 3600)
        (message,) = (one for one in inbox.arrivals if one.title.startswith("Round:"))
        assert any("T1: too dry" in one.title for one in inbox.arrivals)  # the alarm itself is told all the same
    whole = "\n".join((message.title, *message.lines, repr(message.body)))
    assert "T1: look at the shed and grade it: piece, spectacles, tail tip" in whole
    assert "T1: deep-clean" in whole
    assert not OF_THE_AIR.search(whole), whole
