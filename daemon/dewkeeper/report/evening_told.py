"""What becomes of the evening's advice: it is on the list, it is kept, and a day later it is scored against what then happened."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.ahead import HOUR
from dewkeeper.report.contract import Past
from dewkeeper.report.due import Due, DueTap
from dewkeeper.report.evening import WETS, AirAdvice

ADVICE: Final = "advice:"
"""What was advised is kept under this and the day of the month: a month's worth, for scoring."""
_CAME_TRUE_SECONDS: Final = HOUR


def air_due(advice: Sequence[AirAdvice], day: date) -> list[Due]:
    """Return what is to be done this evening, as the round lists it; the neediest first."""
    tonight = [
        Due("air", one.enclosure, one.todo, one.why, day, (DueTap(one.word, JOURNAL[one.word].label),))
        for one in advice
        if one.due
    ]
    return tonight + [one.lasting.due(one.enclosure, day) for one in advice if one.lasting is not None]


def air_aside(advice: Sequence[AirAdvice], scored: Score) -> list[str]:
    """Return in sentences what is left alone and why, and how often what was said before came true."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in advice:
        if not one.due:
            alike.setdefault((one.todo, one.why), []).append(one.enclosure)
    lines = [f"{todo.capitalize()}: {', '.join(names)} – {why}." for (todo, why), names in alike.items()]
    said = scored.sentence()
    return [*lines, *([f"What was said of the air on the evenings before: {said}"] if said else [])]


def kept(advice: Sequence[AirAdvice], now: int) -> str:
    """Return advice as it is kept for scoring; what was not forecast is left out."""
    said = {one.enclosure: one.side if one.hours is not None else "" for one in advice if one.deed != "unknown"}
    return json.dumps({"at": now, "said": said}, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Score:
    """How often what was said of an evening came true. helped: told to leave target, treated, and did not."""

    right: int = 0
    wrong: int = 0
    helped: int = 0

    def sentence(self) -> str:
        """Return it in words, "" where nothing can be scored."""
        checked = self.right + self.wrong
        if not checked:
            return ""
        more = f"; {self.helped} that would have left target were wetted and held" if self.helped else ""
        return f"{self.right} of {checked} came true{more}."


def score(past: Past, now: int) -> Score:
    """Return how the advice of the last month came out, evening by evening, up to those a day old."""
    total = Score()
    for at, said, came in _kept_ones(past, now).values():
        one = _came_out(past, at, said) if came is None else came
        total = Score(total.right + one.right, total.wrong + one.wrong, total.helped + one.helped)
    return total


def outcomes(past: Past, now: int) -> dict[str, str]:
    """Return the advice that is a day old by now as it is kept from then on, by its name after `ADVICE`: with how it came out.

    So a look at the round adds up no month of days again; on a server, where no quarter hours lie, that takes a second an evening.
    """
    found = {}
    for name, (at, said, came) in _kept_ones(past, now).items():
        if came is None:
            one = _came_out(past, at, said)
            told = {"at": at, "said": said, "came": [one.right, one.wrong, one.helped]}
            found[name] = json.dumps(told, separators=(",", ":"))
    return found


def _kept_ones(past: Past, now: int) -> dict[str, tuple[int, dict[str, str], Score | None]]:
    """Return by its name what was advised a day ago and before: when, the sides, and how it came out where that is known."""
    kept_ones: dict[str, tuple[int, dict[str, str], Score | None]] = {}
    for name, text in past.figures(ADVICE).items():
        try:
            found = json.loads(text)
            at, said = int(found["at"]), dict(found["said"])
            came = Score(*map(int, found["came"])) if "came" in found else None
        except (ValueError, KeyError, TypeError):
            continue
        if at > 0 and at + DAY <= now:
            kept_ones[name] = at, said, came
    return kept_ones


def _came_out(past: Past, at: int, said: Mapping[str, str]) -> Score:
    nights = past.nights(at, at + DAY)
    wetted = {e.enclosure for e in past.journal(at, words=WETS) if e.time < at + DAY}
    right = wrong = helped = 0
    for name, side in said.items():
        night = nights.get(name)
        # Too little was read to say what came.
        if night is None or night.watched_seconds < DAY / 2:
            continue
        left = night.beyond_target_seconds >= _CAME_TRUE_SECONDS
        if name in wetted or None in wetted:
            helped += side == "dry" and not left  # what nothing done would have led to, nobody saw
        elif left == bool(side):
            right += 1
        else:
            wrong += 1
    return Score(right, wrong, helped)
