"""The page over all sites in real Chromium, on a telephone's window of 360 px."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.browser.test_browser_screens import OPEN_ALL
from tests.browser.visitor import Visitor
from tests.collect.conftest import Collector, collector, server
from tests.collect.over_all import HOUR, AllSitesRig

from dewkeeper.judge.types import JournalEntry

pytestmark = pytest.mark.browser
__all__ = ["collector", "server"]


@pytest.fixture
def over_all(collector: Collector, tmp_path: Path) -> Iterator[AllSitesRig]:
    """Two sites with long names and a dry tub, one of them silent."""
    made = AllSitesRig(collector, tmp_path)
    north = made.site("north room of the house by the lake", 9)
    north.dry("T3")
    north.notes(JournalEntry("a1", made.now - 9 * HOUR, "T4", "moved_in", "Cinder"))
    north.notes(JournalEntry("j1", made.now - HOUR, "T3", "misted", "well", who="Ina"))
    north.send()
    made.site("cellar", silent_hours=3, base=False).send()
    made.silence("cellar", 3)
    made.start()
    yield made
    made.close()


def test_from_all_sites_to_a_tub_on_a_telephone(
    browser: Callable[..., Visitor], over_all: AllSitesRig, script: bool
) -> None:
    """The silent one first; a tub is one tap away, and the way back too; no screen is wider than the window."""
    one = browser(script=script)
    one.look_like(360, 740)
    one.log_in(over_all.base, over_all.page.first_run_code)
    assert one.one("h1").text == "1 silent, 1 to see to"
    assert one.all("main li")[0].text.startswith("cellar silent")
    assert one.layout_faults() == []
    one.follow(next(tape for tape in one.all("a.tape") if tape.text == "T3"))
    assert "as it was when it sent last" in one.text
    assert not one.all('main form[method="post"]')
    one.run(OPEN_ALL)
    assert one.layout_faults() == []
    number = 1
    for path in (
        "/alarms",
        "/journal",
        "/own",
        f"/site/{number}/",
        f"/site/{number}/rack",
        f"/site/{number}/alarms",
        f"/site/{number}/journal",
        f"/site/{number}/round",
        f"/site/{number}/animals",
        f"/site/{number}/animals/Cinder",
        f"/site/{number}/animals/Cinder/vet",
        f"/site/{number}/sheds",
        f"/site/{number}/eggs",
        f"/site/{number}/away",
        f"/site/{number}/health",
        "/site/2/",
        "/site/2/rack",
    ):
        one.go(over_all.base + path)
        one.run(OPEN_ALL)
        assert one.layout_faults() == [], path
    one.follow(next(link for link in one.all("nav a") if link.text == "All sites"))
    assert one.one("h1").text == "1 silent, 1 to see to"
