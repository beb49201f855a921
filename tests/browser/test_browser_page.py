"""The page in real headless Chromium: every screen in both sizes and schemes, and the flows of a keeper's day."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import pytest
from tests.web.conftest import PASSWORD

from dewkeeper.notify.links import make

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SCREENS = ("/", "/rack", "/enclosure/T1?span=day", "/alarms", "/journal", "/probes", "/health", "/cautions")
NARROW_TARGETS = """
return [...document.querySelectorAll('button, input:not([type=hidden]), select, summary, nav a, a.tape, a.button, .spans a')]
  .filter(e => { const r = e.getBoundingClientRect(); return r.width && (r.width < 24 || r.height < 24); })
  .map(e => e.outerHTML.slice(0, 90));
"""
CHECK = """
const done = arguments[arguments.length - 1];
axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']}).then(
  r => done(r.violations.map(v => v.id + ': ' + v.nodes[0].html.slice(0, 120))), e => done([String(e)]));
"""


def log_in(one: Any, rig: Any) -> None:
    """Set the login with the first-run code, or log in."""
    one.get(rig.base + "/")
    fields = {"name": "Ina", "password": PASSWORD}
    if one.current_url.endswith("/first"):
        fields["code"] = rig.page.first_run_code
    fill(one, **fields)
    press(one, "Log in" if "code" not in fields else "Set the login")


def fill(one: Any, **fields: str) -> None:
    """Type into fields by name."""
    for name, value in fields.items():
        one.find_element("css selector", f"[name={name}]").send_keys(value)


def press(one: Any, words: str) -> None:
    """Press the first visible button with these words, and wait for the page it leads to."""
    from selenium.webdriver.support.expected_conditions import staleness_of
    from selenium.webdriver.support.wait import WebDriverWait

    before = one.find_element("tag name", "main")
    shown = [b for b in one.find_elements("tag name", "button") if b.text == words]
    one.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    one.execute_script("arguments[0].scrollIntoView({block: 'center'})", shown[0])
    shown[0].click()
    WebDriverWait(one, 30).until(staleness_of(before))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 800)])
def test_every_screen_is_whole_and_accessible(browser: Any, rig: Any, width: int, height: int, scheme: str) -> None:
    """No screen is wider than the window, no target is under 24 px, and axe-core 4.4 finds no AA violation."""
    checker = files("axe_core_python").joinpath("axe.min.js").read_text()
    one = browser(width, height, scheme)
    log_in(one, rig)
    for path in SCREENS:
        one.get(rig.base + path)
        beyond = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert one.execute_script(beyond) <= 0, path
        assert one.execute_script(NARROW_TARGETS) == [], path
        one.execute_script(checker)
        assert one.execute_async_script(CHECK) == [], path


def test_screens_read_the_same_without_script(browser: Any, rig: Any) -> None:
    """With script switched off the morning, an enclosure and the journal say what they say with it."""
    log_in(with_script := browser(360, 740), rig)
    log_in(without := browser(360, 740), rig)
    without.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    for path in ("/", "/enclosure/T1", "/journal"):
        texts = []
        for one in (with_script, without):
            one.get(rig.base + path)
            texts.append(one.find_element("tag name", "main").text)
        assert texts[0] == texts[1] != ""


def test_not_calm_enclosures_are_on_the_first_screen(browser: Any, rig: Any) -> None:
    """At 360 by 740 the row of an enclosure is low enough that six of them fit above the navigation."""
    one = browser(360, 740)
    log_in(one, rig)
    row = one.find_element("css selector", ".ledger li").rect
    navigation = one.find_element("css selector", "nav.main").rect
    assert row["y"] + 6 * row["height"] <= navigation["y"]


def test_a_misting_is_two_taps_and_can_be_corrected(browser: Any, rig: Any) -> None:
    """From the morning: the tub, then "misted"; the journal lists it and takes a correction with an earlier time."""
    one = browser(360, 740)
    log_in(one, rig)
    one.get(one.find_element("css selector", ".ledger a.tape").get_attribute("href"))
    press(one, "misted")
    assert "Written down" in one.find_element("tag name", "main").text
    one.get(rig.base + "/journal")
    one.get(one.find_element("css selector", "main a.button").get_attribute("href"))
    one.find_element("css selector", "[name=detail]").send_keys("lightly")
    press(one, "Keep the correction")
    text = one.find_element("tag name", "main").text
    assert "misted: lightly" in text
    assert "corrected" in text


def test_alarm_is_shelved_with_a_reason(browser: Any, rig: Any) -> None:
    """The alarms screen puts one aside and says so."""
    one = browser(360, 740)
    log_in(one, rig)
    one.get(rig.base + "/alarms")
    one.find_element("css selector", "section summary").click()
    fill(one, why="cleaning today")
    press(one, "Put aside")
    assert "; shelved" in one.find_element("tag name", "main").text


def test_link_from_a_message_acknowledges_and_an_old_one_says_so(browser: Any, rig: Any) -> None:
    """Opening the link changes nothing; the button acknowledges; an expired link explains itself."""
    one, now = browser(360, 740), int(rig.clock.wall())
    alarm = rig.daemon.writer.alarms[0].alarm
    one.get(f"{rig.base}/ack/{make(rig.link_key(), alarm, 'Ina', now - 1)}")
    assert "expired" in one.find_element("tag name", "main").text
    one.get(f"{rig.base}/ack/{make(rig.link_key(), alarm, 'Ina', now + 600)}")
    assert rig.daemon.writer.judge.alarms()[0].state == "unacknowledged"
    press(one, "I have seen it")
    assert "Noted for Ina" in one.find_element("tag name", "main").text
    assert rig.daemon.writer.judge.alarms()[0].state == "acknowledged"


def test_sitter_gets_a_sheet_and_uses_it(browser: Any, rig: Any) -> None:
    """The keeper makes a link; in another browser it shows the sheet, what not to touch, and takes an action."""
    keeper = browser(1280, 800)
    log_in(keeper, rig)
    keeper.get(rig.base + "/health")
    fill(keeper, name="Leo")
    press(keeper, "Make a link")
    address = keeper.find_element("css selector", "main a").text.replace("http://rack.example", rig.base)
    sitter = browser(360, 740)
    sitter.get(address)
    assert "Do not touch" in sitter.find_element("tag name", "main").text
    press(sitter, "bowl refilled")
    assert "Written down" in sitter.find_element("tag name", "main").text
