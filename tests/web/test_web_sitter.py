"""Holiday and quarantine on the page: the sitter's sheet, what comes back from it, and a move that asks first."""

from __future__ import annotations

import re
from typing import Any

import requests

DAY = 86400


def _tell(rig: Any, **entry: Any) -> None:
    rig.daemon.handle({"do": "journal", "who": "Ina", **entry})


def _post(rig: Any, keeper: requests.Session, path: str, **fields: str) -> str:
    answer = keeper.post(rig.base + path, data={"csrf": rig.csrf(keeper), **fields}, timeout=60)
    assert answer.status_code == 200, answer.text
    return answer.text


def test_the_sitters_sheet_says_all_and_what_was_tapped_comes_back(rig: Any) -> None:
    """What is wanted today, what is normal, heat and numbers to call stand on it; a tap is the sitter's in the journal and on the keeper's return."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T2", detail="Cinder", time=now - 4 * DAY)
    _tell(rig, what="opaque", enclosure="T2", time=now - DAY)
    made = _post(rig, keeper, "/sitter", name="Leo", hours="24")
    path = re.search(r"/sitter/[\w-]+", made)
    assert path is not None
    sitter = rig.stranger()
    text = sitter.get(rig.base + path[0]).text
    assert text.index("Smoke or flames: get out") < text.index("plug hot: breaker off, plug cool: pull it")
    section = text[text.index('aria-label="T2"') : text.index("</section>", text.index('aria-label="T2"'))]
    assert "Today: refill the bowl" in section
    assert "Cinder" in section
    assert "Leave it in peace" in section
    assert re.search(r"Normal here: humidity \d+–\d+.%, temperature \d+–\d+.°C", section)
    assert section.count("<button") == 2
    for said in ("Do not touch", "+43 1 234", "cannot switch heat off", "Wash your hands"):
        assert said in text
    assert (
        sitter.post(rig.base + path[0], data={"choice": "refilled", "enclosure": "T2"}, timeout=60).status_code == 200
    )
    again = sitter.get(rig.base + path[0]).text
    assert "Today: refill the bowl" not in again[again.index('aria-label="T2"') :].split("</section>")[0]
    back = keeper.get(rig.base + "/away?days=3").text
    assert re.search(r'bowl refilled: T2 <span class="soft">Leo</span>', back)
    assert "While you were away" in back


def test_a_double_tap_on_the_sheet_is_one_entry(rig: Any) -> None:
    """The same form sent twice, by a double tap or a reload, refills one bowl; the sheet loaded anew may be tapped again."""
    path = re.search(r"/sitter/[\w-]+", _post(rig, rig.keeper(), "/sitter", name="Leo", hours="24"))
    assert path is not None
    sitter = rig.stranger()

    def tap(form: dict[str, str]) -> None:
        assert sitter.post(rig.base + path[0], data=form, timeout=60).status_code == 200

    def form() -> dict[str, str]:
        page = re.search(r'name="page" value="([^"]+)"', sitter.get(rig.base + path[0], timeout=60).text)
        assert page is not None
        return {"page": page[1], "choice": "refilled", "enclosure": "T2"}

    def refilled() -> int:
        with rig.history() as history:
            return len([e for e in history.journal(0) if e.what == "refilled"])

    first = form()
    tap(first)
    tap(first)
    assert refilled() == 1
    tap(form())
    assert refilled() == 2


def test_what_is_out_of_service_or_holds_eggs_has_no_taps(rig: Any) -> None:
    """A tub that is not in use and a box of eggs stand on the sheet with words alone: nothing is to be done there."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="eggs", enclosure="T3", detail="6", time=now - DAY)
    rig.daemon.handle({"do": "out_of_service", "who": "Ina", "enclosure": "T1", "why": "empty", "until": now + DAY})
    path = re.search(r"/sitter/[\w-]+", _post(rig, keeper, "/sitter", name="Leo", hours="24"))
    assert path is not None
    text = rig.stranger().get(rig.base + path[0]).text
    sections = {name: text[text.index(f'aria-label="{name}"') :].split("</section>")[0] for name in ("T1", "T2", "T3")}
    assert {name: section.count("<button") for name, section in sections.items()} == {"T1": 0, "T2": 2, "T3": 0}
    assert "not in use" in sections["T1"]
    assert "leave the lid closed" in sections["T3"]


def test_a_move_out_of_quarantine_asks_first(rig: Any) -> None:
    """Before its end the page asks, and writes nothing down until somebody says that it has moved all the same."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T1", detail="Ash", time=now - 10 * DAY)
    _tell(rig, what="quarantine", enclosure="T1", time=now - 10 * DAY, until=now + 20 * DAY)
    fields = {"choice": "moved-in", "enclosure": "T2", "detail": "Ash", "back": "animals"}
    asked = _post(rig, keeper, "/journal", **fields)
    assert "Ash would leave quarantine 20 days before its end" in asked
    with rig.history() as history:
        assert len([e for e in history.journal(0) if e.what == "moved_in"]) == 1
    _post(rig, keeper, "/journal", **fields, sure="yes")
    with rig.history() as history:
        assert len([e for e in history.journal(0) if e.what == "moved_in"]) == 2


def test_a_clutch_is_weighed_from_its_screen(rig: Any) -> None:
    """The screen says temperature first, shows the clutch, and its tap weighs; nothing set up is a sentence."""
    keeper = rig.keeper()
    assert "No clutch is set up" in keeper.get(rig.base + "/eggs").text
    _tell(rig, what="eggs", enclosure="T3", detail="6 eggs, 480 g", time=int(rig.clock.wall()) - DAY)
    text = keeper.get(rig.base + "/eggs").text
    assert "6 eggs since" in text
    assert "heat kills eggs faster" in text
    _post(rig, keeper, "/journal", choice="weighed", enclosure="T3", detail="478")
    assert "478 g" in keeper.get(rig.base + "/eggs").text


def test_a_weighing_without_a_weight_is_refused_on_the_page(rig: Any) -> None:
    """One tub or several at once: words without a number are refused with what is allowed, and nothing is written down."""
    keeper = rig.keeper()
    for path, fields in (("/journal", {"enclosure": "T3"}), ("/several", {"tub": ["T2", "T3"]})):
        data = {"csrf": rig.csrf(keeper), "choice": "weighed", "detail": "quite heavy", **fields}
        refused = keeper.post(rig.base + path, data=data, timeout=60)
        assert 400 <= refused.status_code < 500
        assert "1.45 kg" in refused.text
        assert keeper.post(rig.base + path, data=data | {"detail": "1450grams"}, timeout=60).status_code == 200
    with rig.history() as history:
        assert [e.detail for e in history.journal(0) if e.what == "weighed"] == ["1450grams"] * 3
