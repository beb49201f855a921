"""Every screen in real headless Chromium: whole, accessible, small enough, the same with and without script."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from typing import Any
from urllib.parse import quote

import pytest
from tests.browser.conftest import LONGEST_NAMES
from tests.browser.visitor import Visitor

from dewkeeper.notify.links import NOTE_KEY, make
from dewkeeper.report.earlier import newest_night
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper.store import History

pytestmark = pytest.mark.browser

SCREENS = (
    "/", "/?numbers=all", "/rack", "/enclosure/A2?span=night", "/enclosure/A5?span=day", "/enclosure/B3?span=week",
    "/enclosure/A4?span=month", "/enclosure/Egg%20box?span=year", "/enclosure/B4", "/alarms", "/journal", "/round", "/sheds",
    "/animals/Cinder/vet", "/away", "/eggs",
    "/journal?said=journal&care=mesh-on", "/animals", "/animals/Cinder", "/vet/wheeze", "/probes", "/health",
    "/cautions", "/several", "/leave", "/logins", "/export", "/journal?enclosure=A2&choice=opaque", "/no-such-page",
)  # fmt: skip
LOOKS = [(360, 740, "light"), (360, 740, "dark"), (1280, 800, "light"), (1280, 800, "dark")]
NARROW_TARGETS = """
return [...document.querySelectorAll('button, input:not([type=hidden]), select, summary, nav a, a.tape, a.button, .spans a, .correct')]
  .filter(e => { const r = e.getBoundingClientRect(); return r.width && (r.width < 24 || r.height < 24); })
  .map(e => e.outerHTML.slice(0, 90));
"""
AXE = """
const done = arguments[arguments.length - 1];
axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}).then(
  r => done(r.violations.map(v => v.id + ': ' + v.nodes[0].html.slice(0, 120))), e => done([String(e)]));
"""
OPEN_ALL = "document.querySelectorAll('details').forEach(d => { d.open = true; })"


def faults(one: Visitor, checker: str) -> list[str]:
    """Return everything wrong with the screen that is shown, its folded parts closed and open."""
    found = one.layout_faults()
    one.run(OPEN_ALL)
    found += one.layout_faults()
    found += [f"narrower than 24 px: {target}" for target in one.run(NARROW_TARGETS)]
    one.driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})  # the checker is a script; the page allows none
    one.run(checker)
    return found + list(one.driver.execute_async_script(AXE))


def test_every_screen_is_whole_and_accessible(browser: Callable[..., Visitor], demo_rack: Any) -> None:
    """On the demo's rack, in both sizes and schemes: nothing clipped or overlapping, targets of 24 px, no AA violation of axe-core 4.4."""
    checker = files("axe_core_python").joinpath("axe.min.js").read_text()
    one = browser()
    wrong: dict[str, list[str]] = {}

    def look(name: str, address: str) -> None:
        for width, height, scheme in LOOKS:
            one.look_like(width, height, scheme)
            one.go(address)
            if found := faults(one, checker):
                wrong[f"{name} at {width} px, {scheme}"] = found

    before = newest_night(demo_rack.daemon.config, int(demo_rack.clock.wall()))
    look("first run", demo_rack.base + "/first")
    one.look_like(360, 740)
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    for path in (*SCREENS, f"/?night={before}", "/journal?enclosure=A2&choice=limits&low=65&high=80&to=2030-01-01"):
        look(path, demo_rack.base + path)
    one.go(demo_rack.base + "/health")
    one.fill(name="Leo")
    one.press("Make a link")
    sheet = one.one("main a").text
    look("the sitter's sheet", sheet)
    demo_rack.daemon.handle({"do": "journal", "what": "shed", "enclosure": "A3", "who": "Runa"})
    with History.open(demo_rack.daemon.config.storage.folder) as history:
        key = history.notes()[NOTE_KEY]
        alarm = history.standing()[0].alarm
        newest = {entry.what: entry.id for entry in history.journal(words=["opaque", "shed"])}
    look("the form that grades", f"{demo_rack.base}/sheds/{newest['shed']}")
    look("the form that corrects", f"{demo_rack.base}/journal/{newest['opaque']}")
    look("acknowledge", f"{demo_rack.base}/ack/{make(key, alarm, 'Runa', int(demo_rack.clock.wall()) + 600)}")
    one.driver.delete_all_cookies()
    look("login", demo_rack.base + "/login")
    assert wrong == {}


def test_screens_say_the_same_without_script(browser: Callable[..., Visitor], demo_rack: Any) -> None:
    """With script forbidden every screen says what it says with it, and no screen carries any."""
    one, other = browser(), browser(script=False)
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    other.log_in(demo_rack.base, None)
    for path in (p for p in SCREENS if p != "/health"):  # the log of who did what moves on
        texts = []
        for visitor in (one, other):
            visitor.go(demo_rack.base + path)
            texts.append(visitor.text)
            assert visitor.all("script") == []
        assert texts[0] == texts[1] != "", path


def test_first_screen_is_small_and_usable_on_a_bad_phone(browser: Callable[..., Visitor], demo_rack: Any) -> None:
    """All that the first screen fetches is under 60 kB, all of it the page's own; at 1.6 Mbit/s, 150 ms away and with a fourth of the processor it is read and a tub opens."""
    one = browser()
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    one.driver.execute_cdp_cmd("Network.enable", {})
    one.driver.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": True})
    slow = {"offline": False, "latency": 150, "downloadThroughput": 200_000, "uploadThroughput": 94_000}
    one.driver.execute_cdp_cmd("Network.emulateNetworkConditions", slow)
    one.driver.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 4})
    one.go(demo_rack.base + "/")
    sizes = one.run(
        "return [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
        ".map(e => [e.name, e.transferSize])"
    )
    assert {name.split("?")[0] for name, _ in sizes} <= {demo_rack.base + p for p in ("/", "/page.css", "/icon.svg")}
    assert sum(size for _, size in sizes) <= 60_000
    painted = one.run_later(
        "const done = arguments[0]; new PerformanceObserver((list) => {"
        " const paint = list.getEntriesByName('first-contentful-paint')[0]; if (paint) done(paint.startTime);"
        " }).observe({type: 'paint', buffered: true});"
    )  # told when it is known: the document may be there before it is painted
    print(f"first screen: {sum(s for _, s in sizes)} bytes, painted after {painted:.0f} ms at 1.6 Mbit/s and CPU x4")
    assert "refill the bowl" in one.text
    one.follow(one.one(".needs-look a.tape"))
    assert "Tell the journal" in one.text


def test_every_enclosure_that_needs_a_look_is_on_the_first_screen(
    browser: Callable[..., Visitor], demo_rack: Any
) -> None:
    """Enclosures in six kinds of trouble are drawn whole above the navigation at 360 by 740 px, worst first."""
    demo_rack.make_trouble()
    with StoredPast.open(demo_rack.daemon.config) as past:
        wanted = [
            row.enclosure for row in morning(past, demo_rack.daemon.config, int(demo_rack.clock.wall())).needs_look
        ]
    assert len(wanted) >= 6
    one = browser()
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    rows = one.all(".needs-look")
    assert [row.find_element("css selector", ".tape").text for row in rows] == wanted
    navigation = one.run("return document.querySelector('nav.main').getBoundingClientRect().top")
    assert one.run("return window.scrollY") == 0
    for row in rows[:6]:
        place = one.run("const r = arguments[0].getBoundingClientRect(); return [r.top, r.bottom]", row)
        assert 0 <= place[0] < place[1] <= navigation, row.text
    assert one.layout_faults() == []


PLANTED = {
    "lies on": "const p = document.createElement('p'); p.textContent = 'on top'; p.style = 'margin-top: -30px';"
    " document.querySelector('main').append(p)",
    "cut off": "const p = document.querySelector('main p'); p.style = 'width: 40px; overflow: hidden; white-space: nowrap'",
    "wider than": "document.querySelector('main').style = 'width: 500px; padding-right: 300px'",
    "color-contrast": "document.querySelector('main p').style = 'color: #ddd; background: #eee'",
    "narrower than 24 px": "document.querySelector('main button').style = 'height: 10px; min-height: 0; padding: 0'",
}


def test_the_checks_see_what_is_broken(browser: Callable[..., Visitor], rig: Any) -> None:
    """Words on words, words cut off, a page too wide, pale words and a tiny button, planted one at a time, are all found."""
    checker = files("axe_core_python").joinpath("axe.min.js").read_text()
    one = browser()
    for fault, script in PLANTED.items():
        one.go(rig.base + "/first")
        one.run(script)
        found = faults(one, checker)
        assert any(fault in said for said in found), (fault, found)


def test_six_enclosures_with_the_longest_names_fit_the_first_screen(
    browser: Callable[..., Visitor], crowded: Any
) -> None:
    """Six tubs in trouble, named as long as names may be, one in two troubles at two probes, are whole above the navigation at 360 by 740 px."""
    crowded.clock.advance(12 * 3600)  # into the night, so that there is a lowest of it to tell
    one = browser()
    one.log_in(crowded.base, crowded.page.first_run_code)
    rows = one.all(".needs-look")
    assert {row.find_element("css selector", ".tape").text for row in rows} == set(LONGEST_NAMES)
    navigation = one.run("return document.querySelector('nav.main').getBoundingClientRect().top")
    assert one.run("return arguments[0].getBoundingClientRect().bottom", rows[-1]) <= navigation
    assert "too hot" in rows[0].text
    assert "also too dry" in rows[0].text
    assert "(back)" in rows[0].text
    assert one.layout_faults() == []


def test_probes_of_one_enclosure_are_told_apart_by_line_and_word(browser: Callable[..., Visitor], crowded: Any) -> None:
    """Each probe has a line of its own pattern in both charts, named beside it with whether it is judged, and a table of its own."""
    one = browser()
    one.log_in(crowded.base, crowded.page.first_run_code)
    one.go(f"{crowded.base}/enclosure/{quote(LONGEST_NAMES[0])}?span=day")
    names = [p.name for p in crowded.config.probe if p.enclosure == LONGEST_NAMES[0]]
    patterns = "return [...document.querySelectorAll(arguments[0])].map(e => getComputedStyle(e).strokeDasharray)"
    charts = one.run(patterns, "svg.chart .curve")[: 2 * len(names)]  # those of the folded third one are the same again
    samples = one.run(patterns, "svg.sample .curve")
    assert len(set(samples)) == len(names) == 4
    assert samples == samples[:4] * 2
    assert sorted(charts) == sorted(samples)
    lines = [line.text for line in one.all("ul.numbers li")]
    assert len(lines) == 8
    for line, (name, judged) in zip(lines, [(n, i < 2) for i, n in enumerate(names)] * 2, strict=True):
        assert name in line
        assert ("not judged" in line) is not judged
    one.run(OPEN_ALL)
    assert [c.text.partition(",")[0] for c in one.all("caption")] == names
    assert one.layout_faults() == []


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 800)])
def test_letters_twice_as_large_lose_nothing(
    browser: Callable[..., Visitor], demo_rack: Any, width: int, height: int
) -> None:
    """With the browser's letters set to 200 % every screen is still whole, nothing clipped or overlapping, and a chart's letters are twice as large too (WCAG 2.2, 1.4.4)."""
    one = browser(width, height, font_pixels=32)
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    assert one.run("return getComputedStyle(document.documentElement).fontSize") == "32px"
    wrong, sizes = {}, set()
    for path in SCREENS:
        one.go(demo_rack.base + path)
        one.run(OPEN_ALL)
        if found := one.layout_faults():
            wrong[path] = found
        sizes |= set(
            one.run("return [...document.querySelectorAll('svg.chart text')].map(e => getComputedStyle(e).fontSize)")
        )
    assert wrong == {}
    assert sizes == {"24px"}


def test_a_window_of_320_pixels_needs_no_scrolling_aside(browser: Callable[..., Visitor], demo_rack: Any) -> None:
    """At 320 px, which is 1280 px enlarged four times, every screen is whole (WCAG 2.2, 1.4.10)."""
    one = browser(320, 640)
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    wrong = {}
    for path in SCREENS:
        one.go(demo_rack.base + path)
        if found := one.layout_faults():
            wrong[path] = found
    assert wrong == {}


def test_paper_gets_what_can_be_read_and_nothing_to_tap(browser: Callable[..., Visitor], demo_rack: Any) -> None:
    """Printed, a screen has no navigation, no form and no button, and dark looks become black on white."""
    one = browser(scheme="dark")
    one.log_in(demo_rack.base, demo_rack.page.first_run_code)
    dark = {"features": [{"name": "prefers-color-scheme", "value": "dark"}], "media": "print"}
    for path in SCREENS:
        one.go(demo_rack.base + path)
        one.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", dark)
        shown = "return [...document.querySelectorAll('nav, button, input, select, a.button')].filter(e => e.checkVisibility()).length"
        assert one.run(shown) == 0, path
        assert one.run("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert one.run("return getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        assert one.text, path


def test_alarms_stand_together_by_enclosure_the_worst_first(browser: Callable[..., Visitor], crowded: Any) -> None:
    """The tub with an urgent alarm comes first with its lesser one beneath; every other tub has one section of its own."""
    one = browser()
    one.log_in(crowded.base, crowded.page.first_run_code)
    one.go(crowded.base + "/alarms")
    sections = one.all("section.standing")
    assert {s.find_element("css selector", ".tape").text for s in sections} == set(LONGEST_NAMES)
    kinds = [[h.text for h in s.find_elements("css selector", "h3")] for s in sections]
    assert kinds == [["too hot", "too dry"], *[["too dry"]] * 5]
    assert one.layout_faults() == []
