"""Holding any check or detector to the contract of the judge; needs no test framework.

    from dewkeeper.judge.contract_suite import check_detector
    check_detector(my_row, [settings, reading, reading, ...])

Raises `DetectorBroken` with a sentence for a person; returns None when all is well.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import get_args

from dewkeeper.judge.acting import NEVER_SUPPRESSED
from dewkeeper.judge.contract import Detector, Explained, Finding, InFault, Stands
from dewkeeper.judge.core import Judge
from dewkeeper.judge.document import DOCUMENT, texts
from dewkeeper.judge.dump import DumpUnreadable, pack, unpack
from dewkeeper.judge.journal_words import LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.memory import NEVER, Corrected
from dewkeeper.judge.state import ProbeState
from dewkeeper.judge.types import FAIL, OTHER_SENSOR, Item, Kind, Reading
from dewkeeper.judge.view import View
from dewkeeper.judge.words import FAULTS

MOST_FIELDS = 9
_ALIEN_C = 999.0
"""No sensor reads that; a reading with it is judged bad."""


class DetectorBroken(AssertionError):
    """A check or detector does not do what the contract says."""


def _demand(kept: bool, sentence: str) -> None:
    if not kept:
        raise DetectorBroken(sentence)


def check_detector(row: Detector, stream: Iterable[Item], every: int = 20, *, tells: bool = False) -> None:
    """Check one row of the table against the contract, over any stream that begins with `Settings`; looked into at the first of so many readings of each probe.

    tells: whether each of its kinds has to be raised in it; what is never told there is hardly checked. Raises DetectorBroken.
    """
    check_words(row)
    check_memory(row)
    judge = Judge()
    untold = set(row.words) if tells else set()
    read: Counter[str] = Counter()  # of each probe, or a stream that takes turns would show always the same one
    for item in stream:
        untold -= {event.kind for event in judge.feed(item).events}
        if not isinstance(item, Reading) or item.probe not in judge._state.probes:
            continue
        if read[item.probe] % every == 0:
            _check_deaf(row, judge, item)
            _check_asked(row, judge, judge._state.probes[item.probe])
        read[item.probe] += 1
    _demand(not untold, f"{', '.join(sorted(untold))} was not told in this stream")
    _check_dump(row, judge)


def check_words(row: Detector) -> None:
    """Check that each of its kinds is a kind of the project, says what it must, and stands in the document of alarm kinds."""
    _demand(bool(row.words), f"{row.name} tells of nothing")
    document = texts()[DOCUMENT]
    for kind, words in row.words.items():
        _demand(kind in get_args(Kind), f"{kind} is no name of `types.Kind`")
        _demand(f"| `{kind}` |" in document, f"{kind} is not in the document of alarm kinds")
        _demand(words.label in document, f"the document calls {kind} otherwise than {words.label!r}")
    _demand(len({kind in FAULTS for kind in row.words}) == 1, f"{row.name} is a check as well as a detector")


def check_memory(row: Detector) -> None:
    """Check that its memory is small, goes into a dump and back exactly, and bears everything that may reach it."""
    if row.memory is None:
        return
    memory = row.memory()
    fields = [slot for cls in type(memory).__mro__ for slot in cls.__dict__.get("__slots__", ())]
    _demand(
        len(fields) <= MOST_FIELDS, f"{row.name} remembers {len(fields)} things of a probe, more than {MOST_FIELDS}"
    )
    memory.correct(Corrected((NEVER, 0.0, 0.0, 1.0), (0, 0.5, 2.0, 1.1), 29.0))
    memory.correct_room(0.5)
    memory.in_fault("missing")
    memory.fault_over("missing")
    memory.disbelieved()
    memory.begin_anew()
    memory.another()
    memory.let_go()
    try:
        packed = pack(memory)
        _demand(pack(unpack(packed)) == packed, f"what {row.name} remembers is another after a dump and a load")
    except (TypeError, DumpUnreadable) as error:
        raise DetectorBroken(f"what {row.name} remembers cannot be dumped: {error}") from error


def _memory(row: Detector, probe: ProbeState) -> bytes:
    return b"" if row.memory is None else pack(probe.memory(row.memory))


def _check_deaf(row: Detector, judge: Judge, reading: Reading) -> None:
    """A reading judged bad reaches no detector, and of the checks only that of `gross_range`."""
    if row.name == "gross_range" or reading.temperature_c is None:  # whose sensor a failed poll was, nobody heard
        return
    copy = Judge.load(judge.dump())
    before = _memory(row, copy._state.probes[reading.probe])
    stranger = tuple(note for note in reading.notes if note.startswith(OTHER_SENSOR))  # it is the same sensor still
    flag, _ = copy.judge_values(judge.time() + 1, reading.probe, _ALIEN_C, 50.0, seen=stranger)
    _demand(flag == FAIL, f"{_ALIEN_C} °C counts")
    if "gross_range" in copy._state.probes[reading.probe].faults:
        return  # that fault was named now, which every memory may heed
    _demand(
        _memory(row, copy._state.probes[reading.probe]) == before, f"{row.name} heeds a reading that was judged bad"
    )


def _check_asked(row: Detector, judge: Judge, probe: ProbeState) -> None:
    """Asked in any state, it changes nothing but its own memory, and finds only what it owns the words of."""
    if probe.role not in row.roles:
        return
    copy = Judge.load(judge.dump())
    state = copy._state
    view = View(state, state.probes[probe.name], state.now)
    own = row.memory.__name__ if row.memory is not None else ""
    found = list(chain.from_iterable(ask(view) for ask in (row.look, row.hourly) if ask is not None))
    for other in state.probes.values():  # a detector may write its own memory of the probes beside this one
        if own:
            other.memories[own] = judge._state.probes[other.name].memories[own]
    _demand(copy.dump() == judge.dump(), f"{row.name} changed more than its own memory")
    for sentence in _wrong(row, found, state.now):
        raise DetectorBroken(sentence)


def _wrong(row: Detector, found: Iterable[Finding], now: int) -> Iterator[str]:
    for finding in found:
        if isinstance(finding, (Stands, InFault)) and finding.kind not in row.words:
            yield f"{row.name} finds {finding.kind}, of which it has no words"
        if isinstance(finding, (Stands, InFault)) and finding.since > now:
            yield f"{row.name} finds {finding.kind} that has yet to begin"
        if isinstance(finding, Explained):
            if finding.kind in NEVER_SUPPRESSED:
                yield f"{row.name} would quiet {finding.kind}"
            if finding.until > now + LONGEST_SUPPRESSION_SECONDS:
                yield f"{row.name} would quiet {finding.kind} for more than {LONGEST_SUPPRESSION_SECONDS} s"


def _check_dump(row: Detector, judge: Judge) -> None:
    """What it remembers after a stream goes into a dump and back exactly."""
    dump = judge.dump()
    _demand(Judge.load(dump).dump() == dump, f"with {row.name} the judge is another after a dump and a load")
