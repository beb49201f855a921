"""The air's part of the evening round: who needs what, who is left alone and why, and whether it came true."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

import pytest
from tests.store.conftest import Shelf

from dewkeeper.insight.changed import Finding, as_text, from_text
from dewkeeper.insight.outlook import Ahead, OutlookFigures
from dewkeeper.judge.types import PASS, Fact, JournalEntry, Learned, Quality, Reading
from dewkeeper.report.ahead import changed_words, holds_words, hours_ahead, water, water_words
from dewkeeper.report.evening import AirAdvice, EveningFacts, advise, by_need, evening
from dewkeeper.report.evening_told import Score, air_aside, air_due, kept, outcomes, score
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings
from dewkeeper.store.records import Batch
from dewkeeper.web.outlook_band import humidity_outlook
from dewkeeper_config.loading import ReplayConfig, parse
from dewkeeper_config.models import Config, Limits
from dewkeeper_config.profiles import effective_limits
from dewkeeper_drivers.contract import SHT3X

NOON = 1_790_078_400  # 22 September 2026, 12:00 UTC
HOUR, DAY = 3600, 86400


def _config(folder: Path, enclosures: int = 3) -> Config:
    lines = [
        'site = { name = "Test" }',
        f'storage = {{ folder = "{folder}" }}',
        'rack = [{ name = "R", room = "room" }]',
    ]
    for number in range(1, enclosures + 1):
        lines += ["[[enclosure]]", f'name = "T{number}"', 'rack = "R"', f"place = {number}"]
        lines += ["[[probe]]", f'name = "t{number}"', f'enclosure = "T{number}"', 'driver = "simulated"']
    return parse("\n".join(lines).encode(), folder / "test.toml", ReplayConfig)


CONFIG = _config(Path("/nowhere"))
WORDING = Wording.of(CONFIG.site)


def _ahead(now: float, per_hour: float, spread: float = 0.5, hours: int = 72) -> Ahead:
    """Return a straight course from now, and futures around it."""

    def line(rate: float) -> tuple[float, ...]:
        return tuple(now + rate * hour for hour in range(1, hours + 1))

    rates = [per_hour * (1 + spread * (k - 5) / 5) for k in range(11)]
    return Ahead(NOON, now, line(per_hour), line(rates[1]), line(rates[9]), tuple(line(rate) for rate in rates))


def _about(ahead: Ahead | str, **more: object) -> EveningFacts:
    enclosure = CONFIG.enclosure[0]
    levers = more.pop("levers", None)
    if levers is not None:
        enclosure = enclosure.but(levers=levers)
    enclosure = enclosure.but(mesh_near_heat=more.pop("mesh_near_heat", False))
    facts = more.pop("facts", {})
    last = more.pop("last", {"refilled": DAY})
    stage = str(more.pop("stage", ""))
    return EveningFacts(enclosure, effective_limits(CONFIG, "T1"), stage, ahead, facts, last)  # type: ignore[arg-type]


def test_one_that_falls_below_target_tonight_is_to_be_wetted_and_says_when() -> None:
    """64 % falling by half a per cent an hour leaves 60 % in 8 h: about 20:00, with its interval; a full bowl, so mist."""
    advice = advise(_about(_ahead(64.0, -0.5)), WORDING)
    assert (advice.deed, advice.word, advice.side, advice.limit) == ("mist", "misted", "dry", 60)
    assert advice.hours == pytest.approx(8.0)
    assert "falls below 60 % about 20:00" in advice.why
    assert advice.due


@pytest.mark.parametrize(
    ("more", "deed", "said"),
    [
        ({"last": {}}, "refill", "refill the bowl"),
        ({"last": {"refilled": 3 * DAY}}, "refill", "refill the bowl"),
        ({"stage": "opaque"}, "humid_hide", "humid hide, not the floor"),
        ({"facts": {"misting_hours": 1.5}}, "moisten", "substrate"),
        ({"facts": {"misting_hours": 1.5}, "levers": ["misting"]}, "mist", "mist it"),
        ({"levers": []}, "refill", "top up"),
    ],
)
def test_what_is_done_depends_on_bowl_stage_misting_and_levers(more: dict[str, object], deed: str, said: str) -> None:
    """An unfilled bowl first; in blue the hide; where a misting lasts too short, the substrate, or it is said."""
    advice = advise(_about(_ahead(62.0, -0.5), **more), WORDING)
    assert advice.deed == deed
    assert said in advice.todo
    if more.get("levers") == ["misting"]:
        assert "half gone in 1.5 h here: a bridge, not the cure" in advice.why


@pytest.mark.parametrize(
    ("levers", "near_heat", "cure"),
    [
        (["misting", "bowl_size", "mesh_cover"], False, "a wider bowl or part of the mesh covered, away from any heat"),
        (["misting", "bowl_size", "mesh_cover"], True, "a wider bowl"),
        (["misting"], False, ""),
    ],
)
def test_a_bridge_names_the_cure_beside_it(levers: list[str], near_heat: bool, cure: str) -> None:
    """Of the levers this enclosure has; mesh near a lamp or heater is never to be covered."""
    about = _about(_ahead(62.0, -0.5), facts={"misting_hours": 1.5}, levers=levers, mesh_near_heat=near_heat)
    said = advise(about, WORDING).why
    assert said.endswith(f"; the cure is {cure}" if cure else "not the cure")


def test_one_that_holds_is_left_alone_and_says_until_when() -> None:
    """Falling by a twentieth an hour from 63 % it leaves 60 % in 60 h; one that does not fall holds for three days."""
    slow, still = advise(_about(_ahead(63.0, -0.05, 0.1)), WORDING), advise(_about(_ahead(63.0, 0.0)), WORDING)
    assert (slow.deed, slow.why) == ("nothing", "holds above 60 % until about Fri 25 Sep 00:00")
    assert (still.deed, still.why) == ("nothing", "holds above 60 % for three days")
    assert not slow.due


def test_a_dip_that_passes_is_left_alone() -> None:
    """Two hours at 59 % in the afternoon, shorter than would be told, and back: nothing to do."""
    course = tuple(59.0 if 3 <= hour < 5 else 62.0 for hour in range(72))
    made = Ahead(NOON, 62.0, course, course, course, (course,) * 10)
    assert "comes back by itself" in advise(_about(made), WORDING).why
    deep = tuple(53.0 if 3 <= hour < 5 else 62.0 for hour in range(72))
    assert advise(_about(replace(made, middle=deep, futures=(deep,) * 10)), WORDING).deed == "mist"


def _lifted(course: Sequence[float], lift: Sequence[float]) -> Ahead:
    """Return a course in which all futures agree, and what a misting adds to it."""
    made = tuple(course)
    return Ahead(NOON + 6 * HOUR, 62.0, made, made, made, (made,) * 10, tuple(lift))


@pytest.mark.parametrize(
    ("dry", "lift", "mistings", "deed"),
    [
        (range(2, 7), (8.0,) * 6, (0,), "mist"),  # a short misting bridges the evening
        (range(14, 20), (8.0,) * 6, (13,), "mist_later"),  # tonight's would be gone by then
        (range(2, 20), (8.0,) * 7, (0, 13), "mist"),
        (range(2, 20), (8.0,) * 24, (0,), "mist"),  # one that lasts is enough
        (range(2, 12), (0.5,) * 6, (), "nothing"),  # it lifts by too little
        (range(8, 10), (15.0,) * 8, (), "nothing"),  # six hours too damp for two too dry, which are not asked for
    ],
)
def test_a_misting_is_timed_by_what_it_does_here(
    dry: range, lift: tuple[float, ...], mistings: tuple[int, ...], deed: str
) -> None:
    """At 18:00 UTC, morning at 07:00: hours at 57 % against a target of 60 to 70 %, counted by hand, decide."""
    ahead = _lifted([57.0 if hour in dry else 62.0 for hour in range(72)], lift)
    about = replace(_about(ahead), limits=_told_at_once())
    advice = advise(about, WORDING)
    assert (advice.mistings, advice.deed) == (mistings, deed)
    if deed == "mist_later":
        assert (advice.due, advice.todo) == (False, "mist it in the morning, not tonight")
    if mistings == (0, 13):
        assert advice.todo == "mist it, and again in the morning"
    if deed == "nothing":
        assert "a misting would spare it less than 1 h" in advice.why


def test_a_course_below_tolerable_is_misted_though_it_helps_little() -> None:
    """Down to 48 %, beneath tolerable: whoever can only bridge does at least that."""
    ahead = _lifted([48.0 if hour in range(2, 20) else 62.0 for hour in range(72)], (1.0,) * 3)
    assert advise(_about(ahead), WORDING).deed == "mist"


def _told_at_once() -> Limits:
    limits = effective_limits(CONFIG, "T1")
    return replace(limits, delays=replace(limits.delays, dry_target_minutes=0))


def test_one_that_is_damp_now_gets_no_water_though_it_is_not_forecast() -> None:
    """What is measured needs no forecast; beneath the limit nothing is said but to look."""
    about = _about("the last hours were not read")
    damp = advise(replace(about, now_percent=81.0), WORDING)
    assert damp.deed == "keep_water_away"
    assert damp.why == "81 % now, above 70 %; not forecast: the last hours were not read"
    assert advise(replace(about, now_percent=66.0), WORDING).deed == "unknown"


def test_one_that_is_too_damp_gets_no_water_and_one_not_known_is_said_to_be() -> None:
    """Above target, or on its way there: nothing is wetted tonight. Not forecast: look at it as usual, with the reason."""
    assert advise(_about(_ahead(75.0, -0.1)), WORDING).deed == "keep_water_away"
    assert "rises above 70 %" in advise(_about(_ahead(66.0, 0.5)), WORDING).why
    unknown = advise(_about("the last hours were not read"), WORDING)
    assert (unknown.deed, unknown.due) == ("unknown", False)
    assert "the last hours were not read" in unknown.why


def test_one_that_was_wetted_today_is_left_alone() -> None:
    """Misted two hours ago, or refilled: the figures know nothing of it, and nobody is asked to do it twice."""
    advice = advise(_about(_ahead(62.0, -0.5), last={"misted": 2 * HOUR, "refilled": DAY}), WORDING)
    assert (advice.due, advice.why) == (False, "misted today: what that does shows tomorrow")


def test_as_things_due_and_as_sentences() -> None:
    """What is to be done is on the round, with the tap that writes it; what is left alone is said in groups, with the score."""
    mist = AirAdvice("T1", "mist", "mist it", "falls below 60 %", "misted", "dry", 60.0, 9.0, 9.0)
    alone = [AirAdvice(name, "nothing", "leave it alone", "holds above 60 % for three days") for name in ("T2", "T3")]
    due = air_due([mist, *alone], date(2026, 9, 22))
    assert [(one.key, one.enclosure, one.taps[0].what, one.taps[0].label) for one in due] == [
        ("air", "T1", "misted", "misted")
    ]
    assert air_aside([mist, *alone], Score(12, 2)) == [
        "Leave it alone: T2, T3 – holds above 60 % for three days.",
        "What was said of the air on the evenings before: 12 of 14 came true.",
    ]


def test_the_neediest_comes_first_and_a_whole_dry_room_is_named() -> None:
    """Sooner and deeper comes first; when most of a room leaves target, each of them says to look at the room first."""

    def dry(name: str, hours: float) -> AirAdvice:
        return AirAdvice(name, "mist", "mist it", "falls", "misted", "dry", 60.0, hours, hours)

    still = AirAdvice("T9", "nothing", "leave it alone", "holds")
    advice = [still, dry("T1", 9.0), dry("T2", 3.0), dry("T3", 5.0)]
    ordered = by_need(advice, {"T1": "a", "T2": "a", "T3": "a", "T9": "a"})
    assert [one.enclosure for one in ordered] == ["T2", "T3", "T1", "T9"]
    assert all("3 of 4 in this room" in one.why for one in ordered[:3])
    apart = by_need(advice, {"T1": "a", "T2": "b", "T3": "c", "T9": "a"})
    assert not any("room" in one.why for one in apart)


def _store(shelf: Shelf, rows: Sequence[tuple[int, str, float, float]], **batch: object) -> None:
    pairs = []
    for at, probe, t, h in sorted(rows):
        words = SHT3X.encode(t, h)
        pairs.append((Reading(at, probe, *SHT3X.decode(*words), *words), Quality(at, probe, PASS)))
    shelf.store.commit(Batch(readings=tuple(pairs), **batch))  # type: ignore[arg-type]


@pytest.fixture
def kept_air(tmp_path: Path) -> Iterator[Shelf]:
    """A fresh store."""
    made = Shelf(tmp_path)
    yield made
    made.store.close()


def _figures(at: int) -> str:
    """Return figures that say: humidity stays, give or take 1 %RH."""
    return OutlookFigures(
        made=at, weights=(1.0, 0, 0, 0, 0, 0, 0), constants=(0.0,) * 24, usual_c=(29.0,) * 24, blend=(0.0,) * 72,
        low=(-1.0,) * 72, high=(1.0,) * 72, misses=((-1.0,) * 72, (0.0,) * 72, (1.0,) * 72), skill=0.5,
        origins=50,
    ).text()  # fmt: skip


def test_the_evening_is_read_from_the_store(kept_air: Shelf) -> None:
    """Figures of the night and the last six hours are enough; what was never learned, or not read, says so."""
    config = _config(kept_air.folder)
    rows = [(NOON - 7 * HOUR + 60 * m, probe, 29.0, h) for m in range(420) for probe, h in (("t1", 66.0), ("t2", 57.0))]
    notes = {f"figures:outlook:T{n}": _figures(NOON - 8 * HOUR) for n in (1, 2, 3)}
    _store(kept_air, rows, items=(judge_settings(config, NOON - DAY),), notes=notes)
    with StoredPast(kept_air.history(), config) as past:
        advice = evening(past, config, NOON)
        assert [(one.enclosure, one.deed) for one in advice] == [("T2", "refill"), ("T3", "unknown"), ("T1", "nothing")]
        assert "57 % now, below 60 % already" in advice[0].why
        ahead = hours_ahead(past, config, {"T1"}, NOON)["T1"]
        assert isinstance(ahead, Ahead)
        assert ahead.middle[11] == pytest.approx(66.0, abs=0.1)
        together = hours_ahead(past, config, {"T1", "T2", "T3"}, NOON)
        assert isinstance(together["T1"], Ahead)
        assert together["T1"].middle == pytest.approx(ahead.middle), "asked of all at once it is the same"
        assert together["T3"] == "the last hours were not read"
        later = evening(past, config, NOON + 4 * DAY)
    assert {one.deed for one in later} == {"unknown"}


@pytest.mark.parametrize(("what", "over"), [("misted", 5), ("opened", 3), ("note", 0)])
def test_nothing_is_forecast_while_a_hands_doing_is_under_way(kept_air: Shelf, what: str, over: int) -> None:
    """Page, round and `insight` by one rule: five hours after water, three after an opening, and none for a note."""
    config = _config(kept_air.folder)
    rows = [(NOON - 7 * HOUR + 60 * m, "t1", 29.0, 66.0) for m in range(14 * 60)]
    hand = JournalEntry("1", NOON, "T1", what, entered=NOON)
    items = (judge_settings(config, NOON - DAY), hand)
    _store(kept_air, rows, items=items, notes={"figures:outlook:T1": _figures(NOON - 8 * HOUR)})
    with StoredPast(kept_air.history(), config) as past:
        for hours in range(6):
            now = NOON + hours * HOUR + 60
            told = water(past, config, "T1", None, now)
            assert (told.ahead is None) == (hours < over)
            assert any("is not over" in line for line in told.unknown) == (hours < over)
            (advice,) = (one for one in evening(past, config, now) if one.enclosure == "T1")
            assert ("holds above" in advice.why) == (what != "misted" and hours >= over)


@pytest.mark.parametrize(("daily", "over"), [((), 5), ((12,), 0)])
def test_water_that_nobody_noted_is_seen_in_the_air(kept_air: Shelf, daily: tuple[int, ...], over: int) -> None:
    """From 60 to 66 % at noon and slowly back, a jump of a tenth: as if written down, but where it comes daily by itself."""
    config = _config(kept_air.folder)

    def percent(minute: int) -> float:
        return 60.0 + (6.0 - minute / 150 if minute >= 0 else 0.0)

    rows = [(NOON + 60 * m, "t1", 29.0, percent(m)) for m in range(-7 * 60, 7 * 60)]
    figures = OutlookFigures.from_text(_figures(NOON - 8 * HOUR))
    assert figures is not None
    text = replace(figures, jump=0.06, daily_hours=daily).text()
    items = (judge_settings(config, NOON - DAY),)
    _store(kept_air, rows, items=items, notes={"figures:outlook:T1": text})
    with StoredPast(kept_air.history(), config) as past:
        for hours in range(1, 7):
            ahead = hours_ahead(past, config, {"T1"}, NOON + hours * HOUR)["T1"]
            assert isinstance(ahead, str) == (hours <= over)


def test_what_was_advised_is_scored_a_day_later(kept_air: Shelf) -> None:
    """Left as said, held as said, and left unsaid count; what was wetted meanwhile does not, and is counted apart."""
    config = _config(kept_air.folder, 4)
    falls = {"t1": 55.0, "t2": 65.0, "t3": 55.0, "t4": 65.0}
    rows = [(NOON + 60 * m, probe, 29.0, h) for m in range(0, 1441, 1) for probe, h in falls.items()]
    said = [
        AirAdvice("T1", "mist", "", "", side="dry", limit=60.0, hours=5.0),
        AirAdvice("T2", "nothing", "", ""),
        AirAdvice("T3", "nothing", "", ""),
        AirAdvice("T4", "mist", "", "", side="dry", limit=60.0, hours=5.0),
    ]
    misted = JournalEntry("1", NOON + HOUR, "T4", "misted", entered=NOON + HOUR)
    items = (judge_settings(config, NOON - DAY), misted)
    _store(kept_air, rows, items=items, notes={"figures:advice:22": kept(said, NOON), "figures:advice:21": "{"})
    with StoredPast(kept_air.history(), config) as past:
        assert score(past, NOON + DAY - 1) == Score()
        found = score(past, NOON + DAY)
        assert outcomes(past, NOON + DAY - 1) == {}
        came = outcomes(past, NOON + DAY)
    assert found == Score(right=2, wrong=1, helped=1)
    assert came.keys() == {"22"}
    assert json.loads(came["22"]) == json.loads(kept(said, NOON)) | {"came": [2, 1, 1]}
    # Kept, it is not reckoned again: not even when nothing of that evening is known any more.
    bare = Shelf(kept_air.folder / "bare")
    with closing(bare.store):
        _store(bare, [], items=(judge_settings(config, NOON - DAY),), notes={"figures:advice:22": came["22"]})
        with StoredPast(bare.history(), config) as past:
            assert score(past, NOON + DAY) == found
            assert outcomes(past, NOON + DAY) == {}
    assert found.sentence() == "2 of 3 came true; 1 that would have left target were wetted and held."
    assert Score().sentence() == ""
    assert json.loads(kept(said, NOON))["said"] == {"T1": "dry", "T2": "", "T3": "", "T4": "dry"}


def test_sentences_tell_measured_from_extrapolated_from_unknown() -> None:
    """The half-life of KEEPER's nine hours, the lifetime of a misting, until when it holds; and why something is not told."""
    facts = (
        Fact("drying_hours", 9.0, 8.0, 11.0, decays=6, until=NOON + DAY),
        Fact("misting_hours", 2.0, 1.5, 3.0, decays=5, until=NOON + DAY),
    )
    limits = _about("").limits
    told = water_words(Learned(NOON, "T1", facts), _ahead(64.0, -0.5), limits, NOON, WORDING)
    assert told.measured == (
        "Half of what it holds above its resting level is gone in 6.2 h (5.5 h to 7.6 h), from 6 undisturbed decays.",
        "A misting lasts about 2 h here (1.5 h to 3 h), from 5 mistings.",
    )
    assert told.extrapolated[0].startswith("If nobody does anything it falls below 60 % (target) about 20:00")
    assert not told.unknown
    old = water_words(Learned(NOON, "T1", facts), "the last hours were not read", limits, NOON + 2 * DAY, WORDING)
    assert (old.measured, old.extrapolated, old.ahead) == ((), (), None)
    assert "six hours" in old.unknown[0]
    assert (
        holds_words(_ahead(65.0, 0.0), limits, WORDING)
        == "If nobody does anything it stays on target for the next three days."
    )
    damp = holds_words(_ahead(75.0, 0.0), limits, WORDING)
    assert damp == "It is above target now. If nobody does anything it stays tolerable for the next three days."
    assert "rises above 70 % (target)" in holds_words(_ahead(66.0, 0.5), limits, WORDING)
    assert "beyond tolerable now" in holds_words(_ahead(45.0, 0.5), limits, WORDING)


def test_what_a_change_did_is_said_in_words() -> None:
    """Moister or drier with its interval at 30 °C, no effect found, too early with the day to look again, or why not at all."""
    finding = partial(Finding, NOON, before=20, after=16, beside=3)
    moister = changed_words(finding("mesh_cover_changed", 2.1, 0.9, 3.4), WORDING)
    assert moister == (
        "Mesh cover changed on Tue 22 Sep: moister by 5 %RH at 30 °C (2 to 8), vapour +2.1 hPa (+0.9 to +3.4);"
        " 20 days before and 16 after, beside 3 left alone."
    )
    drier = changed_words(finding("holes_changed", -2.1, -3.4, -0.9), WORDING)
    assert "drier by 5 %RH at 30 °C (2 to 8)" in drier
    assert "it did not work: no effect is found, the effect lies between -1 and +2 %RH" in changed_words(
        finding("bowl_size_changed", 0.2, -0.5, 0.9), WORDING
    )
    early = changed_words(
        Finding(NOON, "bowl_size_changed", why="can't tell yet: 20 whole days before and 3 after"), WORDING
    )
    assert early.endswith("Look again on Thu 8 Oct.")
    two = changed_words(Finding(NOON, "bowl_size_changed", why="two changes within a day"), WORDING)
    assert two == "Bowl size changed on Tue 22 Sep: can't tell: two changes within a day."
    wide = changed_words(finding("bowl_size_changed", 0.2, -3.5, 2.9), WORDING)
    assert "can't tell: the effect lies between -8 and +7 %RH" in wide
    covered = Finding(NOON, "mesh_cover_changed", 2.1, 0.9, 3.4, 20, 16, 3, detail="covered, a third")
    assert "Mesh cover changed (covered, a third) on Tue 22 Sep: it worked: moister by 5" in changed_words(
        covered, WORDING
    )
    opposite = Finding(NOON, "mesh_cover_changed", -2.1, -3.4, -0.9, 20, 16, 3, detail="covered")
    assert "it did not work, it did the opposite: drier by 5" in changed_words(opposite, WORDING)
    kept_findings = [finding("holes_changed", 1.0, 0.5, 1.5)]
    assert from_text(as_text(kept_findings)) == kept_findings
    assert from_text("") == []


def test_the_band_of_a_chart_begins_now_and_reaches_half_as_far_as_it_looks_back() -> None:
    """Of a day twelve hours, of a week three days; a night that is over and longer spans have none, nor has what is not known."""
    made = _ahead(64.0, -0.5)
    day, week = humidity_outlook(made, "day"), humidity_outlook(made, "week")
    assert day is not None
    assert week is not None
    assert (day.points[0], len(day.points), len(week.points)) == ((NOON, 64.0, 64.0, 64.0), 13, 73)
    assert day.points[12] == (NOON + 12 * HOUR, made.low[11], 58.0, made.high[11])
    assert humidity_outlook(made, "night") is None
    assert humidity_outlook(None, "day") is None
