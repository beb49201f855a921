"""What a deed changes, in words: said before it is done and after."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from dewkeeper.judge.stages import BAND, BAND_OVER, band_of, limits_under
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL, KINDS, LONGEST_SUPPRESSION_SECONDS, SOON_BACK, SOON_BACK_SECONDS
from dewkeeper.report.wording import Wording
from dewkeeper.store.in_force import InForce
from dewkeeper_config import effective_limits, stage_limits
from dewkeeper_config.models import Config, Limits, TemperatureSpan

HEAT: Final = "Heat is told all the same."


def limits_words(limits: Limits, wording: Wording) -> str:
    """Return the bands in words: "target 60-70 %, tolerable 55-80 %, 24-34 °C (target 27-32 °C, not judged)" with the site's signs."""
    target, tolerable, best = limits.humidity_target, limits.humidity_tolerable, limits.temperature_target

    def warm(span: TemperatureSpan) -> str:
        return f"{wording.degrees(span.low):.3g}–{wording.degrees(span.high):.3g}{wording.space}{wording.unit}"

    return (
        f"target {wording.humidity_range(target.low, target.high)}, "
        f"tolerable {wording.humidity_range(tolerable.low, tolerable.high)}, {warm(limits.temperature_tolerable)}"
        f"{f' (target {warm(best)}, not judged)' if best is not None else ''}"
    )


def stage_words(
    config: Config, enclosure: str, stage: str, until: int | None, now: int, wording: Wording, band: str = ""
) -> str:
    """Return by which limits an enclosure is judged in a stage and a timed band ("" for none), and until when. now: UTC seconds."""
    limits = limits_under(effective_limits(config, enclosure), stage_limits(config), stage, band)
    end = "" if until is None else f" until {wording.day(until, now)}"
    return f"Limits: {limits_words(limits, wording)}{end}."


def effect_words(
    config: Config, enclosure: str | None, what: str, at: int, until: int | None, now: int, wording: Wording,
    *, detail: str = "", stage: str = "",
) -> list[str]:  # fmt: skip
    """Return what writing down a word for an enclosure changes; nothing when it only remembers.

    at: when it was done; until: of a stage or a timed band, when it ends, None for the word's own length. UTC seconds.
    detail: what is written beside the word. stage: what holds there now, "" for none.
    """
    word, said = JOURNAL.get(what), []
    if word is None or enclosure is None:
        return []
    if word.stage is not None:
        end = until if until is not None else at + word.default_seconds
        if word.stage == "quarantine":
            said.append(
                f"{stage_words(config, enclosure, word.stage, None, now, wording)} They hold until quarantine is said to be "
                f"over; the round asks on {wording.day(end, now)}, or later where its clock begins anew."
            )
        elif end > now:
            said.append(stage_words(config, enclosure, word.stage, end, now, wording))
    elif what == BAND:
        end = until if until is not None else at + word.default_seconds
        if end > now and band_of(detail) is not None:
            said.append(stage_words(config, enclosure, stage, end, now, wording, detail))
    elif what == BAND_OVER:
        said.append(stage_words(config, enclosure, stage, None, now, wording))
    elif word.ends:
        said.append(
            f"If it was {', '.join(one.replace('_', ' ') for one in word.ends)}: the usual limits again. "
            + stage_words(config, enclosure, "", None, now, wording)
        )
    quiet = quiet_until(what, at)
    ends = sorted({end for end in quiet.values() if end > now})
    for end in ends:
        names = ", ".join(KINDS[kind].label for kind, over in quiet.items() if over == end)  # type: ignore[index]  # kinds
        said.append(f"Quiet until {wording.clock(end, now)}: {names}.")
    return [*said, HEAT] if ends else said


def quiet_until(what: str, at: int) -> dict[str, int]:
    """Return until when a word of the journal keeps each kind quiet, UTC seconds, unless it stood before it was done."""
    # As the judge reckons it (`judge/inputs/journal`), which alone decides.
    word = JOURNAL[what]
    found = {}
    for kind in word.suppresses:
        seconds = min(word.seconds, SOON_BACK_SECONDS) if kind in SOON_BACK and not word.long else word.seconds
        found[str(kind)] = at + min(seconds, LONGEST_SUPPRESSION_SECONDS)
    return found


def after_words(
    config: Config, entries: Sequence[JournalEntry], in_force: InForce, now: int, wording: Wording
) -> list[str]:
    """Return what entries that were just written have changed; of several alike, once."""
    said: dict[str, None] = {}
    for entry in entries:
        stage = in_force.stage(entry.enclosure, now)[0] if entry.enclosure is not None else ""
        words = effect_words(
            config, entry.enclosure, entry.what, entry.time, entry.until, now, wording, detail=entry.detail, stage=stage
        )
        said |= dict.fromkeys(words)
    return list(said)


def file_lines(config: Config, enclosure: str, band: str = "") -> list[str]:
    """Return the lines of the configuration file for an enclosure's usual limits, or for those of a timed band to keep for good."""
    limits = limits_under(effective_limits(config, enclosure), {}, "", band)
    humid, wide, warm = limits.humidity_target, limits.humidity_tolerable, limits.temperature_tolerable
    rows = [
        ("humidity_target", humid.low, humid.high),
        ("humidity_tolerable", wide.low, wide.high),
        ("temperature_tolerable", warm.low, warm.high),
    ]
    return [
        "[[enclosure]]",
        f'name = "{enclosure}"',  # no name has a quote or a backslash
        *(f"limits.{name} = {{ low = {low:g}, high = {high:g} }}" for name, low, high in rows),
    ]
