"""What messages say and do over restarts and on the page: the journal they quote, the test that is tapped."""

from __future__ import annotations

from typing import Any


def test_the_journal_is_quoted_after_a_restart_as_it_was_corrected(racks: Any, phone: Any) -> None:
    """What the keeper did before a restart stands in the message after it; an entry that was corrected stands as corrected."""
    config = racks.config(humidity_percent=40.0)
    daemon = racks.start(config)
    wrong = daemon.handle({"do": "journal", "what": "misted", "enclosure": "T1", "detail": "one round"})["id"]
    daemon.handle({"do": "journal", "what": "misted", "enclosure": "T1", "detail": "two rounds", "replaces": wrong})
    daemon.handle({"do": "journal", "what": "misted", "enclosure": "T2", "detail": "another tub"})
    racks.stop(daemon)
    racks.start(config)
    racks.clock.advance(3 * 3600)
    dry = next(message for message in phone.messages if message["type"] == "dry.raised")
    quoted = [line for line in dry["lines"] if line.startswith("Journal")]
    assert len(quoted) == 1
    assert quoted[0].endswith("two rounds")
