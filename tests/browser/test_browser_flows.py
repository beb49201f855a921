"""A keeper's day in real headless Chromium, on a telephone's window, with script and without."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from statistics import median
from time import monotonic
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.browser.visitor import Visitor
from tests.web.conftest import PASSWORD
from tests.web.test_web_change_picture import finding

from dewkeeper.insight.changed import as_text
from dewkeeper.notify.links import make
from dewkeeper.web.choices import BY_KEY, CHOICES, HAS_SHED, beside_curves

pytestmark = pytest.mark.browser

Browser = Callable[..., Visitor]
FOCUSED = "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => done(document.activeElement.name)))"
"""Where the cursor is once the page is drawn."""


@pytest.fixture
def keeper(browser: Browser, rig: Any, script: bool) -> Visitor:
    """Return the keeper's browser after the first run was done in it."""
    one = browser(script=script)
    one.log_in(rig.base, rig.page.first_run_code)
    return one


def test_first_run_asks_for_the_printed_code(browser: Browser, rig: Any, script: bool) -> None:
    """A wrong code is refused in words; the printed one sets the login, and afterwards name and password log in."""
    one = browser(script=script)
    one.go(rig.base + "/")
    one.fill(code="AAAA-BBBB-CCCC", name="Eve", password=PASSWORD)
    one.press("Set the login")
    assert "not the code" in one.text
    one.log_in(rig.base, rig.page.first_run_code)
    assert "to see to" in one.one("h1").text
    one.go(rig.base + "/health")
    one.press("Log out")
    assert "Logged out" in one.text
    one.log_in(rig.base, None)
    assert "to see to" in one.one("h1").text


def test_a_misting_is_two_taps(keeper: Visitor, rig: Any) -> None:
    """From the morning: the tub, calm or not, then "misted"."""
    for tub in ("T1", "T2"):
        keeper.go(rig.base + "/")
        keeper.follow(next(tape for tape in keeper.all("a.tape") if tape.text == tub))
        keeper.press("misted")
        assert "Written down" in keeper.text
    with rig.history() as history:
        assert [(e.what, e.enclosure, e.who) for e in history.journal()] == [
            ("misted", "T1", "Ina"),
            ("misted", "T2", "Ina"),
        ]


def test_everything_else_is_two_taps_or_asks_for_its_word(keeper: Visitor, rig: Any) -> None:
    """The tub, then any button below the curves; what needs a word opens the form with the place and the choice filled in."""
    keeper.go(rig.base + "/")
    keeper.follow(next(tape for tape in keeper.all("a.tape") if tape.text == "T2"))
    buttons = {b.get_attribute("value") for b in keeper.all("main form.taps button[name=choice]")}
    assert buttons >= {c.key for c in BY_KEY.values() if not c.asks and (c.what != "shed" or c.key == HAS_SHED)}
    keeper.press("humid hide put in")
    assert "Written down" in keeper.text
    keeper.follow(next(a for a in keeper.all("a.button") if a.text == "weighed …"))
    assert "weighed: grams" in keeper.text
    keeper.fill(detail="1430")
    keeper.press("Write down")
    with rig.history() as history:
        assert [(e.what, e.enclosure, e.detail) for e in history.journal()] == [
            ("humid_hide_changed", "T2", "put in"), ("weighed", "T2", "1430"),
        ]  # fmt: skip


def test_a_surface_reading_says_how_humid_it_is_there(keeper: Visitor, rig: Any) -> None:
    """The tub, "hide measured", the temperature: its screen then says how humid it is in the hide, as reckoned, with the caution."""
    keeper.go(rig.base + "/enclosure/T2")
    assert "Where the snake lies" in keeper.text
    assert "In the hide at other hours: nothing was learned of it yet" in keeper.text
    keeper.follow(next(a for a in keeper.all("a.button") if a.text == "hide measured …"))
    keeper.fill(detail="31.5")
    keeper.press("Write down")
    assert "Damp, never dripping" in keeper.text
    keeper.go(rig.base + "/enclosure/T2")
    told = next(line.text for line in keeper.all("main li") if line.text.startswith("In the hide about"))
    assert "its surface had 31.5" in told
    assert told.endswith("(reckoned)")
    assert "scales rot on a wet floor" in keeper.text
    with rig.history() as history:
        assert history.journal()[-1].detail == "hide, 31.5 °C"


def test_what_a_change_did_is_drawn(keeper: Visitor, rig: Any) -> None:
    """The verdict as a sentence and both courses as a picture, its words no smaller than 12 px, inside the page's width."""
    told = as_text([finding()])
    rig.daemon.handle({"do": "learned", "enclosure": "T2", "changed": told, "who": "Ina"})
    rig.clock.advance(120)
    keeper.go(rig.base + "/enclosure/T2")
    assert "it worked: moister by 7" in keeper.text
    chart = next(
        c for c in keeper.all("svg.chart") if (c.get_attribute("aria-label") or "").startswith("Mesh cover changed")
    )
    words = chart.find_elements("css selector", "text")
    assert {"measured", "without it", "changed"} <= {word.text for word in words}
    assert min(float(word.value_of_css_property("font-size").removesuffix("px")) for word in words) >= 12
    assert chart.rect["x"] >= 0
    assert chart.rect["x"] + chart.rect["width"] <= 360
    boxes = [word.rect for word in words]
    assert all(box["x"] >= -1 and box["x"] + box["width"] <= 361 for box in boxes)


@pytest.mark.parametrize("group", CHOICES)
def test_any_deed_is_two_taps_from_the_first_screen(browser: Browser, rig: Any, group: str) -> None:
    """The tub and the deed, and it is written down; a deed that needs a word waits for it with the cursor there, and Enter ends it. All of them, one after the other."""
    one, took = browser(), []
    one.log_in(rig.base, rig.page.first_run_code)
    for choice in beside_curves("tub")[group]:
        word = {"limits_for_a_time": "65-80", "surface": "31.5 °C"}.get(choice.what, "12 Ash")
        with rig.history() as history:
            before = len(history.journal(0, replaced=True))
        one.go(rig.base + "/")
        began = monotonic()
        one.follow(next(tape for tape in one.all("a.tape") if tape.text == "T2"))  # the first tap
        label = f"{choice.label} …" if choice.asks else choice.label
        target = next(t for t in one.all("main form.taps button, main form.taps a.button") if t.text == label)
        one.follow(target)  # the second
        if choice.asks:
            assert one.run_later(FOCUSED) == "detail", choice.key
            field = one.one("main [name=detail]")
            field.send_keys(word)
            one.follow_key(field)
        took.append(monotonic() - began)
        with rig.history() as history:
            (entry,) = history.journal(0, replaced=True)[before:]
        assert (entry.what, entry.enclosure, entry.who) == (choice.what, "T2", "Ina"), choice.key
        assert entry.detail == ", ".join(part for part in (choice.detail, word if choice.asks else "") if part)
    print(f"{group}: {len(took)} deeds, two taps each; the slowest {max(took):.2f} s, the median {median(took):.2f} s")


def test_what_is_due_and_what_stands_is_two_taps_from_the_first_screen(keeper: Visitor, rig: Any) -> None:
    """The round and its tap; a tub's alarm and that it was seen."""
    rig.daemon.handle({"do": "journal", "what": "opaque", "enclosure": "T2", "who": "Ina"})
    rig.daemon.handle({"do": "journal", "what": "moved_in", "enclosure": "T2", "detail": "Ash", "who": "Ina"})
    keeper.go(rig.base + "/")
    keeper.follow(next(a for a in keeper.all("nav.main a") if a.text == "Round"))
    keeper.press("humid hide is in")
    with rig.history() as history:
        assert history.journal()[-1].what == "humid_hide_changed"
    keeper.go(rig.base + "/")
    keeper.follow(next(tape for tape in keeper.all("a.tape") if tape.text == "T1"))
    keeper.press("I have seen it")
    with rig.history() as history:
        assert "acknowledged" in {alarm.state for alarm in history.standing() if alarm.enclosure == "T1"}


def test_an_entry_is_backdated_and_corrected(keeper: Visitor, rig: Any) -> None:
    """The journal takes a time in the past; a correction replaces the entry, shows what it was, and keeps it."""
    keeper.go(rig.base + "/journal")
    keeper.choose("enclosure", "T2")
    keeper.choose("choice", "mesh covered (how much of it)")
    keeper.fill(detail="a third")
    earlier = datetime.fromtimestamp(rig.clock.wall() - 3 * 3600, ZoneInfo(rig.config.site.timezone))
    type_moment(keeper, earlier)
    keeper.press("Write down")
    assert "fire" in keeper.text  # the caution stands beside the deed
    with rig.history() as history:
        assert history.journal()[-1].time == int(earlier.replace(second=0, microsecond=0).timestamp())
    keeper.follow(keeper.one(".correct"))
    keeper.fill(detail="half")
    keeper.press("Keep the correction")
    assert "mesh cover changed: covered, half" in keeper.text
    assert "a third" not in keeper.text
    keeper.follow(keeper.one(".correct"))
    assert "Before it was corrected" in keeper.text
    assert "a third" in keeper.text


def type_moment(one: Visitor, moment: datetime) -> None:
    """Type a local time into the field part by part, as a Chromium that speaks US English has them."""
    one.one("[name=at]").send_keys(f"{moment:%m%d%Y%I%M%p}")


def test_an_alarm_is_shelved_and_brought_back(keeper: Visitor, rig: Any) -> None:
    """Putting aside wants a reason, says until when, and ends at a tap."""
    keeper.go(rig.base + "/alarms")
    keeper.unfold("Shelve it")
    keeper.fill(why="cleaning today")
    keeper.press("Shelve")
    until = datetime.fromtimestamp(rig.clock.wall() + 4 * 3600, ZoneInfo(rig.config.site.timezone))
    assert f"; shelved until {until:%H:%M}" in keeper.text
    keeper.press("Bring it back now")
    assert "; shelved" not in keeper.text


def test_an_alarm_is_acknowledged_where_it_is_seen(keeper: Visitor, rig: Any) -> None:
    """From the morning: the tub, then "I have seen it"."""
    keeper.follow(keeper.one(".needs-look a.tape"))
    keeper.press("I have seen it")
    assert "Noted: you have seen it" in keeper.text
    assert rig.daemon.writer.judge.alarms()[0].state == "acknowledged"


def test_an_enclosure_goes_out_of_service_and_back(keeper: Visitor, rig: Any) -> None:
    """Taken out, the morning does not ask for it and the alarms list it with its review date; put back, it does again."""
    keeper.go(rig.base + "/enclosure/T1")
    keeper.unfold("Take out of service")
    keeper.fill(why="empty, being dried")
    keeper.press("Take out of service")
    assert "Out of service: empty, being dried" in keeper.text
    keeper.go(rig.base + "/alarms")
    assert "empty, being dried" in keeper.text
    assert "look again by" in keeper.text
    keeper.go(rig.base + "/")
    assert "T1" not in [row.text for row in keeper.all(".needs-look .tape")]
    keeper.go(rig.base + "/enclosure/T1")
    keeper.unfold("Put back in service")
    keeper.press("Judge it again")
    keeper.go(rig.base + "/")
    assert "T1" in [row.text for row in keeper.all(".needs-look .tape")]


def test_a_snake_moves_and_keeps_its_history(keeper: Visitor, rig: Any) -> None:
    """Moved from T1 to T2, the snake's own page tells both stays and what was noted in each."""
    for place in ("T1", "T2"):
        keeper.go(rig.base + "/animals")
        keeper.fill(detail="Cinder")
        keeper.choose("enclosure", place)
        keeper.press("Write down")
        rig.clock.advance(300)
        keeper.go(f"{rig.base}/enclosure/{place}")
        keeper.press("fed")
        rig.clock.advance(300)
    keeper.go(rig.base + "/animals")
    keeper.follow(keeper.one("a.name"))
    assert keeper.one("main .tape").text == "T2"
    assert "in T1, Ina" in keeper.text
    assert "in T2, Ina" in keeper.text


def test_a_sign_of_illness_brings_the_vet(keeper: Visitor, rig: Any) -> None:
    """Writing down a wheeze names the vet's number and advises nothing about the air."""
    keeper.go(rig.base + "/journal?enclosure=T1")
    keeper.choose("choice", "wheeze or mucus")
    keeper.press("Write down")
    assert "+43 1 234" in keeper.text
    assert "nothing is advised" in keeper.text


def test_link_from_a_message_acknowledges_and_an_old_one_says_so(browser: Browser, rig: Any, script: bool) -> None:
    """A scanner's visit and reload change nothing; the button acknowledges; an expired link explains itself."""
    one, now = browser(script=script), int(rig.clock.wall())
    alarm = rig.daemon.writer.alarms[0].alarm
    one.go(f"{rig.base}/ack/{make(rig.link_key(), alarm, 'Ina', now - 1)}")
    assert "expired" in one.text
    before = rig.written()
    one.go(f"{rig.base}/ack/{make(rig.link_key(), alarm, 'Ina', now + 600)}")
    one.driver.refresh()
    assert rig.written() == before
    assert rig.daemon.writer.judge.alarms()[0].state == "unacknowledged"
    one.press("I have seen it")
    assert "Noted for Ina" in one.text
    assert rig.daemon.writer.judge.alarms()[0].state == "acknowledged"


def test_sitter_gets_a_sheet_and_uses_it(browser: Browser, keeper: Visitor, rig: Any, script: bool) -> None:
    """The keeper makes a link; in another browser it shows the sheet, what not to touch, and takes an action."""
    keeper.go(rig.base + "/health")
    keeper.fill(name="Leo")
    keeper.press("Make a link")
    sitter = browser(script=script)
    sitter.go(keeper.one("main a").text.replace("http://rack.example", rig.base))
    assert "Do not touch" in sitter.text
    assert "+43 1 234" in sitter.text
    assert {b.text for b in sitter.all("main button")} == {"bowl refilled", "misted"}
    sitter.press("bowl refilled")
    assert "Written down" in sitter.text
    sitter.go(rig.base + "/rack")
    assert sitter.one("h1").text == "Log in"


def test_keyboard_alone_reaches_the_content_and_the_journal(keeper: Visitor, rig: Any) -> None:
    """The first Tab offers the way to the content; focus is always visible; Enter on a tub opens it."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    keeper.go(rig.base + "/")
    ActionChains(keeper.driver).send_keys(Keys.TAB).perform()
    assert keeper.driver.switch_to.active_element.text == "To the content"
    ActionChains(keeper.driver).send_keys(Keys.TAB).perform()
    focused = keeper.driver.switch_to.active_element
    assert focused.text == "T1"
    assert keeper.run("return getComputedStyle(document.activeElement).outlineStyle") == "solid"
    keeper.follow_key(focused)
    assert "Tell the journal" in keeper.text
