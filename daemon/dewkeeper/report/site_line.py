"""What a site says of itself in a few lines, for who looks at many: its morning's sentence, and what needs a look first.

Made where the readings are, so that a screen of a thousand sites adds nothing up.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from dewkeeper.report.alarm_words import to_do
from dewkeeper.report.first_line import first_line
from dewkeeper.report.model import RANKS, EnclosureMorning, MorningGlance, Rank
from dewkeeper.report.morning import morning
from dewkeeper.report.morning_words import row_words, said_above, unwatched_step
from dewkeeper.report.order import rank_place
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording, first_steps, rank_word
from dewkeeper_config.models import Config

MOST_TUBS: Final = 4
_STEP_LETTERS = 60
_MOST_LETTERS = 1000
"""Of any text that another machine says."""
_WELL = "well"


@dataclass(frozen=True, slots=True)
class TubLine:
    """An enclosure that needs a look: the word of its rank, what follows it, and what to do first, "" for nothing."""

    enclosure: str
    rank: Rank
    word: str
    words: str
    step: str


@dataclass(frozen=True, slots=True)
class SiteSaid:
    """The morning of a site. state: its worst rank, or "well" where all is. look: so many enclosures need a look; tubs: the first of them."""

    state: str
    rank: Rank
    word: str
    look: int
    tubs: tuple[TubLine, ...]


def site_said(glance: MorningGlance, wording: Wording) -> SiteSaid:
    """Return the few lines of a morning."""
    rank = rank_of(glance)
    tubs = [row for row in glance.enclosures if row in glance.needs_look]
    told = tuple(_tub(row, glance, wording) for row in tubs[:MOST_TUBS])
    return SiteSaid(_WELL if glance.all_well else rank, rank, first_line(glance), len(tubs), told)


def said_now(config: Config, now: int) -> dict[str, Any]:
    """Return the lines of this very site as JSON values, from its own store at `now` (UTC seconds). Raises StoreError."""
    with StoredPast.open(config) as past:
        glance = morning(past, config, now)
    return asdict(site_said(glance, Wording.of(config.site, space="\u00a0")))


def read_said(said: Any) -> SiteSaid:
    """Return what `said_now` made, elsewhere and by another version perhaps. Raises ValueError for anything else."""
    try:
        given: Mapping[str, Any] = dict(said)
        tubs = tuple(
            TubLine(
                _text(one["enclosure"]), _rank(one["rank"]), *(_text(one[name]) for name in ("word", "words", "step"))
            )
            for one in list(given["tubs"])[:MOST_TUBS]
        )
        state = _WELL if given["state"] == _WELL else _rank(given["state"])
        return SiteSaid(state, _rank(given["rank"]), _text(given["word"]), _count(given["look"]), tubs)
    except (KeyError, TypeError) as error:
        raise ValueError(f"not what a site says of itself: {json.dumps(str(error))}") from error


def rank_of(glance: MorningGlance) -> Rank:
    """Return the worst rank of all that a morning tells of, of the installation itself too."""
    worst = min(glance.enclosures, key=rank_place, default=None)  # what is watched again is not the worst
    ranks: list[Rank] = [] if worst is None else [worst.rank]
    ranks += ["urgent" if alarm.priority == "urgent" else "alarm" for alarm in glance.general]
    if glance.nothing_watched:
        ranks.append("unwatched")
    return min(ranks, key=RANKS.index, default="unwatched")


def _tub(row: EnclosureMorning, glance: MorningGlance, wording: Wording) -> TubLine:
    full = not said_above(row, glance)
    step = ""
    if full and row.alarms and row.alarms[0].response:
        step = first_steps(to_do(row.alarms[0]), _STEP_LETTERS - len(row.enclosure))
    elif full:
        step = unwatched_step(row)
    return TubLine(
        row.enclosure, row.rank, rank_word(row), row_words(row, glance, wording), step.replace("`", "")
    )  # fmt: skip


def _text(given: Any) -> str:
    if not isinstance(given, str) or len(given) > _MOST_LETTERS:
        raise ValueError("not what a site says of itself: a text is none, or too long")
    return given


def _count(given: Any) -> int:
    # Not by `int`: a number of JSON may be one that is infinite to Python.
    if not isinstance(given, int):
        raise ValueError("not what a site says of itself: a number is none")  # noqa: TRY004  one error, as promised
    return given


def _rank(given: Any) -> Rank:
    for rank in RANKS:
        if rank == given:
            return rank
    raise ValueError("not what a site says of itself: an unknown rank")
