"""An animal's page: what it is, its months, weights, sheds and signs; and what leaves as a file."""

from __future__ import annotations

import csv
import io
from typing import Any

DAY = 86400


def _tell(rig: Any, **entry: Any) -> None:
    rig.daemon.handle({"do": "journal", "who": "Ina", **entry})


def test_an_animals_page_has_months_weights_sheds_and_signs(rig: Any) -> None:
    """Months and weights are drawn and said in words; an ungraded shed leads to its form and hides the air of its weeks."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T2", detail="Cinder", time=now - 5 * 3600)
    for hours, grams in ((4, 1510), (1, 1340)):
        _tell(rig, what="weighed", enclosure="T2", detail=f"{grams} g", time=now - hours * 3600)
    _tell(rig, what="belly_rough", enclosure="T2", time=now - 3600)
    text = keeper.get(rig.base + "/animals/cinder").text
    assert "Weight from 1510 g on" in text
    assert "11" in text[text.index("below the heaviest") - 12 : text.index("below the heaviest")]
    assert "belly scales rough" in text
    month = text[text.index("Its air, month by month") : text.index("<h2>Weights")]
    assert month.count('<svg class="chart"') == 1
    assert "in T2: humidity" in month
    _tell(rig, what="shed", enclosure="T2", time=now - 60)
    text = keeper.get(rig.base + "/animals/Cinder").text
    month = text[text.index("Its air, month by month") : text.index("<h2>Weights")]
    assert "its air is shown once the shed is graded" in month
    assert '<svg class="chart"' not in month
    assert "%" not in text[text.index("<h2>Where it lived") : text.index("<h2>What was noted")]
    assert "not graded yet: grade it" in text
    assert keeper.get(rig.base + "/animals/Nobody").status_code == 404


def test_what_a_snake_is_is_written_down_and_changed(rig: Any) -> None:
    """Hatch date, sex and notes stand on its page and in the list; written anew they take the place of the old ones; a date that there is not is refused."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T2", detail="Cinder", time=now - DAY)
    form = {"csrf": rig.csrf(keeper), "hatched": "2021-06", "sex": "female", "notes": "eats at night, male next door"}
    answer = keeper.post(rig.base + "/animals/Cinder/about", data=form)
    assert answer.status_code == 200
    assert "hatched 2021-06, female" in answer.text
    assert "eats at night, male next door" in answer.text
    assert "hatched 2021-06, female" in keeper.get(rig.base + "/animals").text
    keeper.post(rig.base + "/animals/Cinder/about", data={**form, "hatched": "2021-06-03", "sex": "male", "notes": ""})
    with rig.history() as history:
        assert [e.detail for e in history.journal(words=["described"])] == ["Cinder, hatched 2021-06-03, male"]
    for wrong in ({"hatched": "2021-13"}, {"sex": "hen"}):
        assert keeper.post(rig.base + "/animals/Cinder/about", data={**form, **wrong}).status_code == 400


def test_the_animals_leave_as_a_file(rig: Any) -> None:
    """One row for each stay, the first with what the animal is, in the form `dewkeeper import --animals` reads."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=now - DAY)
    _tell(rig, what="moved_in", enclosure="T2", detail="Cinder", time=now - 3600)
    _tell(rig, what="described", enclosure="T2", detail="Cinder, hatched 2020, female, shy")
    rows = list(csv.reader(io.StringIO(keeper.get(rig.base + "/export/animals.csv").text)))
    assert rows[0] == ["animal", "enclosure", "moved_in", "moved_out", "hatched", "sex", "notes"]
    assert [row[:2] + row[4:] for row in rows[1:]] == [
        ["Cinder", "T1", "2020", "female", "shy"],
        ["Cinder", "T2", "", "", ""],
    ]
    assert rows[1][3] == rows[2][2]
