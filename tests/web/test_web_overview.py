"""The overview screens: fetched anew by the browser itself, small on the wire, every enclosure one row in one order."""

from __future__ import annotations

import gzip
import re
from datetime import date
from typing import Any

from tests.report.situations import Tub, alarm, morning_of

from dewkeeper.report.first_line import age_words, first_line
from dewkeeper.report.glimpse import Glimpse
from dewkeeper.report.wording import Wording
from dewkeeper.store.slices import Slice
from dewkeeper.web.serve import _templates
from dewkeeper.web.small_curve import small_curves

FIRST_SCREEN_BYTES = 60_000


def test_overviews_are_fetched_anew_and_no_form_ever_is(rig: Any) -> None:
    """Morning and rack ask to be fetched again, without what was said once, until they are told to hold still; a screen with a form never."""
    keeper = rig.keeper()
    for path in ("/", "/rack"):
        answer = keeper.get(rig.base + path + "?said=seen")
        assert re.fullmatch(rf"\d+; url={path}", answer.headers["Refresh"])
        assert "<form" not in answer.text
        assert "Refresh" not in keeper.get(rig.base + path + "?renew=no").headers
    for path in ("/alarms", "/journal", "/enclosure/T1", "/probes", "/health", "/animals"):
        assert "Refresh" not in keeper.get(rig.base + path).headers


def test_overviews_are_compressed_for_who_takes_it_and_pages_with_a_token_never_are(rig: Any) -> None:
    """The same words either way; what carries a form's token is sent as it is."""
    keeper = rig.keeper()
    for path in ("/", "/rack", "/page.css"):
        plain = keeper.get(rig.base + path, headers={"Accept-Encoding": "identity"})
        squeezed = keeper.get(rig.base + path, headers={"Accept-Encoding": "gzip"})
        assert "Content-Encoding" not in plain.headers
        assert squeezed.headers["Content-Encoding"] == "gzip"
        assert squeezed.headers["Vary"] == "Accept-Encoding"
        assert squeezed.text == plain.text
        assert int(squeezed.headers["Content-Length"]) < len(plain.content)
    for path in ("/alarms", "/enclosure/T1", "/journal"):
        answer = keeper.get(rig.base + path, headers={"Accept-Encoding": "gzip"})
        assert "Content-Encoding" not in answer.headers


class _Visit:
    """As much of a visit as the template looks at."""

    session = None

    class request:
        path = "/"


def rendered(count: int) -> tuple[str, list[str]]:
    """Return the first screen of so many enclosures, three in trouble, each with a night that moves; and their order."""
    tubs = {f"T{n}": Tub() for n in range(1, count + 1)}
    tubs["T7"] = Tub(temperature=41.0, alarms=[alarm("hot", 0.2)])
    tubs["T3"] = Tub(humidity=50, alarms=[alarm("dry", 13)])
    tubs["T9"] = Tub(resting=True)
    glance, config = morning_of(tubs)
    wording, start = Wording.of(config.site, space="\u00a0"), glance.night_start
    slices = {
        name: [
            Slice(start + n * 1800, 1800, 1, 60 + n * i % 7, 60, 67 + n * i % 11, 27.5, 28, 29, 1) for n in range(19)
        ]
        for i, name in enumerate(tubs)
    }
    night = Glimpse(start, glance.made_at, 1800, start, start + 19 * 1800, slices)
    shelves: dict[int, list[Any]] = {}
    for row in sorted(glance.enclosures, key=lambda row: (row.shelf, row.place)):
        shelves.setdefault(row.shelf, []).append(row)
    templates = _templates()
    templates.globals["stylesheet"] = "/page.css?0123456789"
    text = templates.get_template("morning.html").render(
        visit=_Visit, site="Attic", now=glance.made_at, w=wording, csrf="", said="", caution="", glance=glance,
        racks=[(config.rack[0], shelves)], curves=small_curves(glance.enclosures, night, wording),
        sentence=first_line(glance), age=age_words(glance, wording), renew=True, numbers=False, newest=date(2026, 11, 23), places={},
    )  # fmt: skip
    return text, [row.enclosure for row in glance.enclosures]


def test_every_enclosure_is_one_row_worst_first_and_stands_in_the_rack_once() -> None:
    """Forty tubs are forty rows in the glance's own order, each with its curve, and forty cells that show the same curve again."""
    text, order = rendered(40)
    rows = re.findall(r'<li class="row rank-.*?</li>', text, re.DOTALL)
    assert [re.findall(r'class="tape" href="/enclosure/(T\d+)"', row)[0] for row in rows] == order
    assert order[:2] == ["T7", "T3"]
    drawn = [re.findall(r'<g id="(n\d+)">', row)[0] for row in rows]
    assert len(set(drawn)) == 40
    again = dict(re.findall(r'class="cell[^"]*" href="/enclosure/(T\d+)".*?<use href="#(n\d+)"', text, re.DOTALL))
    assert again == dict(zip(order, drawn, strict=True))


def test_the_first_screen_is_small_with_40_and_with_120_enclosures(rig: Any) -> None:
    """With its styles at most 60 kB as a browser fetches it; of forty even without compression."""
    styles = rig.keeper().get(rig.base + "/page.css").content
    for count in (40, 120):
        text, order = rendered(count)
        assert len(order) == count
        squeezed = len(gzip.compress(text.encode(), 4)) + len(gzip.compress(styles, 4))
        print(
            f"first screen of {count}: {len(text.encode()) + len(styles)} bytes with its styles, {squeezed} compressed"
        )
        assert squeezed <= FIRST_SCREEN_BYTES
        assert count == 120 or len(text.encode()) + len(styles) <= FIRST_SCREEN_BYTES
