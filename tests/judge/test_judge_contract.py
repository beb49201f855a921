"""Every check and detector of the judge, held to its contract, and `stale_air`, which was added by it."""

from __future__ import annotations

import ast
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.judge.judge_desk import START, Desk, rack

from dewkeeper.judge import contract_suite, document
from dewkeeper.judge.contract import Detector, Explained, Finding, Stands
from dewkeeper.judge.contract_suite import DetectorBroken, check_detector, check_memory, check_words
from dewkeeper.judge.detectors import stale_air
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.table import TABLE
from dewkeeper.judge.types import Item, JournalEntry, Reading
from dewkeeper.judge.view import View
from dewkeeper.judge.words import KINDS

_WORDS = Rationale("too odd", "no cause", "no harm", "look", 3600)


@st.composite
def streams(draw: st.DrawFn) -> list[Item]:
    """Return a rack of two tubs and their room, settled for hours, and then anything at all."""
    items: list[Item] = [rack(("B1", "B2"), room=True)]
    now = START
    for minute in range(0, 600, 10):
        now += 600
        for n, (probe, t, h) in enumerate((("air", 22.0, 45.0), ("p1", 29.0, 64.0), ("p2", 28.0, 66.0))):
            items.append(Reading(now, probe, t + 0.01 * ((minute + n) % 7), h + 0.01 * ((minute + n) % 5)))
    for _ in range(draw(st.integers(1, 6))):
        now += draw(st.sampled_from((60, 300, 3600, 40_000)))
        what = draw(st.sampled_from(("misted", "mesh_cover_changed", "probe_wiped", "probe_moved", "")))
        if what:
            items.append(JournalEntry(f"j{now}", now, draw(st.sampled_from(("B1", "B2"))), what))
        t, h = draw(st.floats(-60, 140)), draw(st.floats(-5, 110))
        for minute in range(draw(st.integers(1, 12))):
            probe = draw(st.sampled_from(("p1", "p2", "air")))
            noted = draw(st.sampled_from(((), ("heater_on",), ("reset_seen",), ("crc_burst",), ("other_sensor:p2",))))
            read = draw(st.integers(0, 5))
            if read == 0:
                items.append(Reading(now, probe, None, None, failure="crc", notes=noted))
            else:
                items.append(Reading(now, probe, t + 0.1 * minute, h, notes=noted))
            now += 60
    return items


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_words_and_memory_keep_the_contract(row: Detector) -> None:
    """Each row has complete words that stand in the document, and a small memory that dumps and loads exactly."""
    check_words(row)
    check_memory(row)


@settings(max_examples=int(os.environ.get("DEWKEEPER_EXAMPLES", "2")), deadline=None)
@given(streams(), st.sampled_from(TABLE))
def test_any_stream_is_borne(items: list[Item], row: Detector) -> None:
    """On any stream nothing raises, what was judged bad is not heeded, and only a row's own memory is written."""
    check_detector(row, items)


@remembered
class _Greedy(ProbeMemory):
    __slots__ = ("a", "b", "c", "d", "e", "f", "g", "h", "i", "j")

    def __init__(self) -> None:
        for slot in self.__slots__:
            setattr(self, slot, 0)


class _Forgetful(ProbeMemory):
    __slots__ = ("a",)

    def __init__(self) -> None:
        self.a = 0


def _meddles(view: View) -> Iterator[Finding]:
    view.probe.past.looks.clear()
    return iter(())


def _quiets_heat(view: View) -> Iterator[Finding]:
    yield Explained("hot", view.now + 60)


def _speaks_for_others(view: View) -> Iterator[Finding]:
    yield Stands("damp", view.now)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (Detector("greedy", {"dry_soon": KINDS["dry_soon"]}, _Greedy), "more than 9"),
        (Detector("forgetful", {"dry_soon": KINDS["dry_soon"]}, _Forgetful), "cannot be dumped"),
        (Detector("meddles", {"dry_soon": KINDS["dry_soon"]}, look=_meddles), "more than its own memory"),
        (Detector("quiets heat", {"dry_soon": KINDS["dry_soon"]}, look=_quiets_heat), "would quiet hot"),
        (Detector("speaks", {"dry_soon": KINDS["dry_soon"]}, look=_speaks_for_others), "no words"),
        (Detector("nameless", {"dry_soon": _WORDS}), "calls dry_soon otherwise"),
        (Detector("mute", {}), "tells of nothing"),
    ],
)
def test_who_breaks_the_contract_is_told(row: Detector, why: str) -> None:
    """A row that forgets, meddles, quiets heat or speaks without words of its own is refused in a sentence."""
    readings = [Reading(START + 60 * i, "p1", 29.0 + 0.01 * i, 64.0) for i in range(1, 4)]
    with pytest.raises(DetectorBroken, match=why):
        check_detector(row, [rack(), *readings])


@pytest.mark.parametrize("path", document.texts(), ids=lambda path: path.name)
def test_what_is_written_of_alarm_kinds_is_current(path: Path) -> None:
    """ALARMS.md and `said` are what the table says today: who changes it runs `python -m dewkeeper.judge.document`."""
    assert path.read_text(encoding="utf-8") == document.texts()[path]


def _covered(desk: Desk, *, humid: float, swing: float, noted: bool) -> list[tuple[str, str, str | None]]:
    """A day as it always was, then vents changed, then ten hours of air of so much humidity and swing."""
    room = [("air", 22.0, 50.0)]
    desk.hold(24 * 60, h=lambda minute: 62.0 + 3.0 * (1 if minute % 40 < 20 else -1), others=room)
    if noted:
        desk.feed(JournalEntry("j1", desk.now, "B1", "mesh_cover_changed"))
    desk.hold(10 * 60, h=lambda minute: humid + swing * (1 if minute % 40 < 20 else -1), others=room)
    return desk.told("stale_air")


def test_covered_vents_leave_stale_air() -> None:
    """Humid, flat and far above its room for six hours after the mesh was covered: told once, low, and over when it is uncovered."""
    desk = Desk(rack(room=True))
    assert _covered(desk, humid=78.0, swing=0.1, noted=True) == [("stale_air", "raised", None)]
    raised = next(e for e in desk.events if e.kind == "stale_air")
    assert raised.priority == "low"
    assert "recheck the temperature" in raised.response
    desk.feed(JournalEntry("j2", desk.now, "B1", "mesh_cover_changed"))
    desk.hold(20, h=77.0, others=[("air", 22.0, 50.0)])
    assert desk.told("stale_air")[-1] == ("stale_air", "cleared", None)
    check_detector(stale_air.DETECTOR, desk.stream, every=200, tells=True)


def test_a_stream_in_which_nothing_is_told_is_no_check_of_it() -> None:
    """Where a kind has to be told it is said that it was not, and the check does not pass for nothing."""
    desk = Desk(rack())
    desk.hold(60)
    check_detector(stale_air.DETECTOR, desk.stream)
    with pytest.raises(DetectorBroken, match="stale_air was not told"):
        check_detector(stale_air.DETECTOR, desk.stream, tells=True)


@pytest.mark.parametrize(
    ("humid", "swing", "noted"),
    [(78.0, 0.1, False), (78.0, 3.0, True), (64.0, 0.1, True)],
    ids=("no deed", "swings", "not humid"),
)
def test_other_humid_air_is_not_called_stale(humid: float, swing: float, noted: bool) -> None:
    """Without the deed, with the thermostat's swings, or within target it is not told."""
    assert _covered(Desk(rack(room=True)), humid=humid, swing=swing, noted=noted) == []


def _unexplained(path: Path) -> list[str]:
    """Return the numbers at the head of a module that neither a comment nor a sentence below them explains."""
    source = path.read_text(encoding="utf-8")
    lines, body = source.splitlines(), ast.parse(source).body
    found = []
    for i, node in enumerate(body):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        inside = list(ast.walk(node.value))
        numbers = any(isinstance(n, ast.Constant) and type(n.value) in (int, float) for n in inside)
        if not numbers or any(isinstance(n, ast.Call) for n in inside):
            continue
        group = next((j for j in range(i + 1, len(body)) if not isinstance(body[j], ast.Assign | ast.AnnAssign)), i)
        below = body[group]
        said = isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant)
        if not said and not any("#" in line for line in lines[node.lineno - 1 : node.end_lineno]):
            found.append(f"{path.name}: {ast.unparse(node)}")
    return found


def test_every_number_at_the_head_of_a_file_is_explained() -> None:
    """Each number with a name says where it is from, or what it means, beside it or right below."""
    folder = Path(contract_suite.__file__).parent
    assert [text for path in sorted(folder.rglob("*.py")) for text in _unexplained(path)] == []
