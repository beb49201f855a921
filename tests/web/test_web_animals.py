"""An animal's page: what it is, its months, weights, sheds and signs; and what leaves as a file."""

from __future__ import annotations

import csv
import io
import re
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.report.weights import Weighing
from dewkeeper.report.wording import Wording
from dewkeeper.web.month_curves import weights_curve

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


@pytest.mark.parametrize("heaviest", [1504.0, 1600.0, 9_000.0, 250_000.0, 1e20])
def test_weights_have_few_round_lines_whatever_they_span(heaviest: float) -> None:
    """From some grams to a slip of twenty figures: two to seven lines, each a round number, and a drawing of some kilobytes."""
    drawn = str(weights_curve([Weighing(0, 1500.0), Weighing(DAY, heaviest)], Wording(ZoneInfo("UTC"))))
    lines = re.findall(r">(\d+)</text>", drawn)
    assert 2 <= len(lines) <= 7
    assert len({float(b) - float(a) for a, b in pairwise(lines)}) <= 1 or heaviest > 1e16
    assert len(drawn) < 5000


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


def test_what_was_changed_is_marked_on_every_chart(rig: Any) -> None:
    """A mesh covered an hour ago is a tick on the tub's three charts, on its small curve of morning and rack and in the animal's month, and a sign in the year's calendar; another tub has none."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    _tell(rig, what="moved_in", enclosure="T1", detail="Cinder", time=now - 5 * 3600)
    for path in ("/", "/rack", "/animals/Cinder"):
        assert 'class="mark"' not in keeper.get(rig.base + path).text, path
    _tell(rig, what="mesh_cover_changed", enclosure="T1", detail="covered, half", time=now - 3600)
    day = keeper.get(rig.base + "/enclosure/T1?span=day").text
    charts = day.split('<svg class="chart"')[1:]
    assert [part.partition("</div>")[0].count('class="mark"') for part in charts] == [2, 2, 2]  # moved in, and the mesh
    for path in ("/", "/rack"):
        text = keeper.get(rig.base + path).text
        assert text.count('class="mark"') == 1, path
        assert "tick: something was changed" in text
    month = keeper.get(rig.base + "/animals/Cinder").text
    assert month.count('class="mark"') == 1
    assert "mesh cover changed: covered, half" in month[: month.index("<h2>Weights")]
    year = keeper.get(rig.base + "/enclosure/T1?span=year").text
    calendar = year[year.index('class="months"') : year.index("<h3>Humidity")]
    assert calendar.count('<span aria-hidden="true">◆</span>') == 1
    assert "mesh cover changed: covered, half" in calendar
    assert 'class="mark"' not in keeper.get(rig.base + "/enclosure/T2?span=day").text
