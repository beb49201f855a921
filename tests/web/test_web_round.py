"""The round on the page: due, tapped, gone; put off and back; a shed graded before anybody sees its air."""

from __future__ import annotations

import re
from typing import Any

import requests
from tests.web.test_web_house import kept

from dewkeeper.clock import ManualClock
from dewkeeper.web.choices import BY_KEY, HAS_SHED

DAY = 86400


def _tell(rig: Any, **entry: Any) -> str:
    return str(rig.daemon.handle({"do": "journal", "who": "Runa", **entry})["id"])


def _forms(text: str) -> list[dict[str, str]]:
    """Return the fields of every form of a screen."""
    return [
        dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form))
        for form in re.findall(r"<form.*?</form>", text, re.DOTALL)
    ]


def _now(rig: Any) -> int:
    return int(rig.clock.wall())


def _post(rig: Any, keeper: requests.Session, path: str, **fields: str) -> str:
    answer = keeper.post(rig.base + path, data={"csrf": rig.csrf(keeper), **fields}, timeout=60)
    assert answer.status_code == 200, answer.text
    return answer.text


def test_a_tap_does_it_once_and_says_who(rig: Any) -> None:
    """A bowl due is on the list; the tap writes it down in the keeper's name; tapped again it says that it is done."""
    keeper = rig.keeper()
    assert "Nothing is due today." in keeper.get(rig.base + "/round").text
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=_now(rig) - 4 * DAY)
    text = keeper.get(rig.base + "/round").text
    assert "One thing is due, at 1 enclosure." in text
    assert {"enclosure": "T1", "key": "bowl"}.items() <= _forms(text)[0].items()
    assert "Written down." in _post(rig, keeper, "/round", enclosure="T1", key="bowl", tap="0")
    with rig.history() as history:
        (entry,) = [e for e in history.journal(0) if e.what == "refilled"]
    assert (entry.enclosure, entry.who) == ("T1", "Ina")
    assert "not on the list any more" in _post(rig, keeper, "/round", enclosure="T1", key="bowl", tap="0")
    with rig.history() as history:
        assert len([e for e in history.journal(0) if e.what == "refilled"]) == 1


def test_not_today_comes_back_on_its_day(rig: Any) -> None:
    """Put off until tomorrow it is shown as put off, by whom, and tomorrow it is due again."""
    keeper = rig.keeper()
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=_now(rig) - 4 * DAY)
    text = _post(rig, keeper, "/round/later", enclosure="T1", key="bowl", days="1")
    assert "Nothing is due today." in text
    assert re.search(r"T1: refill the bowl with fresh water, until .*, by Ina", text)
    with kept(rig, rig.config, ManualClock(wall=rig.clock.wall() + DAY)) as (base, tomorrow):
        text = tomorrow.get(base + "/round").text
        assert "One thing is due" in text
        (token,) = {form["csrf"] for form in _forms(text) if "csrf" in form}
        form = {"csrf": token, "enclosure": "T1", "key": "bowl", "days": "0"}
        assert tomorrow.post(base + "/round/later", data=form, timeout=60).status_code == 400


def test_a_shed_is_graded_before_its_air_is_shown(rig: Any) -> None:
    """Neither round nor form say a word of humidity; the grade completes the entry, and what stayed on names the vet."""
    keeper = rig.keeper()
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=_now(rig) - 20 * DAY)
    _tell(rig, what="refilled", enclosure="T1")
    _tell(rig, what="spot_cleaned", enclosure="T1")
    _tell(rig, what="opaque", enclosure="T1", time=_now(rig) - 11 * DAY)
    shed = _tell(rig, what="shed", enclosure="T1", time=_now(rig) - 3600)
    text = keeper.get(rig.base + "/round").text
    assert f"/sheds/{shed}" in text
    form = keeper.get(f"{rig.base}/sheds/{shed}").text
    for said in (text, form):
        assert not re.search(r"\d\s*%|humidity", said)
    assert (
        keeper.post(f"{rig.base}/sheds/{shed}", data={"csrf": rig.csrf(keeper), "whole": "yes"}, timeout=60).status_code
        == 400
    )
    answer = _post(rig, keeper, f"/sheds/{shed}", whole="yes", spectacles="no", tail="yes")
    assert "exotics vet" in answer
    with rig.history() as history:
        (entry,) = [e for e in history.journal(0) if e.what == "shed"]
    assert entry.detail == "one piece, spectacle retained, skin of the tail tip came off"
    assert entry.replaces == shed
    again = keeper.get(rig.base + "/round").text
    assert "grade it" not in again
    assert "ask an exotics vet" in again


def test_a_shed_told_beside_the_curves_is_graded_where_none_are(rig: Any) -> None:
    """On the tub's own screen nothing grades a shed: its tap writes it down and leads to the form, which says nothing of the air; the same for JSON and every other screen is withheld until then."""
    keeper = rig.keeper()
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=_now(rig) - 7000)
    form = _post(rig, keeper, "/journal", choice="shed", enclosure="T1", back="1")
    assert "Both spectacles" in form
    assert not re.search(r"\d\s*%|humidity", form)
    with rig.history() as history:
        (shed,) = history.journal(words=["shed"])
    assert f'action="/sheds/{shed.id}"' in form


def test_sheds_and_the_vets_sheet_show_the_air_after_the_grade(rig: Any) -> None:
    """Before the grade neither screen holds a number of humidity; after it the sheds' screen does, and the sheet says no diagnosis."""
    keeper = rig.keeper()
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=_now(rig) - 7000)
    shed = _tell(rig, what="shed", enclosure="T1", time=_now(rig) - 60)
    for path in ("/sheds", "/animals/Cinder/vet"):
        assert not re.search(r"\d+\s*% ?[,;–]|on average \d", keeper.get(rig.base + path).text), path
    _post(rig, keeper, f"/sheds/{shed}", whole="yes", spectacles="yes", tail="yes")
    text = keeper.get(rig.base + "/sheds").text
    assert "the 14 days before: on average 48 %" in text
    assert "can't tell yet: 0 of 10 bad sheds" in text.replace("&#39;", "'")
    assert "no diagnosis" in keeper.get(rig.base + "/animals/Cinder/vet").text
    assert keeper.get(rig.base + "/animals/Nobody/vet").status_code == 404


def test_any_deed_is_two_taps_from_the_first_screen(rig: Any) -> None:
    """Counted on the page: the first screen links every enclosure and the round, and there every word of the journal is one tap more."""
    keeper = rig.keeper()
    first = keeper.get(rig.base + "/").text
    assert 'href="/round"' in first
    for enclosure in rig.config.enclosure:
        path = f"/enclosure/{enclosure.name}"
        assert f'href="{path}"' in first
        text = keeper.get(rig.base + path).text
        for key, choice in BY_KEY.items():
            if choice.what == "shed" and key != HAS_SHED:  # graded where no air is shown
                assert key not in text, key
                continue
            assert f'value="{key}"' in text or (choice.asks and f"choice={key}" in text), (enclosure.name, key)
