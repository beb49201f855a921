"""What the journal offers to tap: each choice is one word of the judge's table, with a detail where it needs one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from dewkeeper.judge.stages import BAND, BAND_OVER
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.quarantine import SIGNS
from dewkeeper.report.sheds import grade_of
from dewkeeper.sampling.salts import CAUTION as SALT_CAUTION


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing to tap. asks: what the free text is for, "" when nothing more need be said."""

    key: str
    label: str
    what: str
    detail: str = ""
    asks: str = ""


HAS_SHED: Final = "shed"
"""The choice that leads to the form which grades a shed and shows nothing of its air."""
# Keys stand in addresses and in forms that are open while a new version starts: labels may change, keys stay.
# Details are read back by their words: which way a change was meant (`report.ahead`), which place a surface is of
# (`insight.places`), how a shed went (`report.sheds`).
CHOICES: Final[Mapping[str, Sequence[Choice]]] = {
    "water": (
        Choice("misted", "misted", "misted"),
        Choice("misting-changed", "misting changed", "misting_changed", asks="how"),
        Choice("refilled", "bowl refilled", "refilled"),
        Choice("bowl-larger", "bowl enlarged", "bowl_size_changed", "enlarged"),
        Choice("bowl-second", "second bowl", "bowl_size_changed", "second bowl"),
        Choice("bowl-on", "bowl half on the warm end", "bowl_place_changed", "half on the warm end"),
        Choice("bowl-off", "bowl off the warm end", "bowl_place_changed", "off the warm end"),
    ),
    "floor and air": (
        Choice("substrate", "substrate changed", "substrate_changed", asks="to what"),
        Choice("moistened", "substrate moistened", "moistened", asks="how much"),
        Choice("mesh-on", "mesh covered", "mesh_cover_changed", "covered", asks="how much of it"),
        Choice("mesh-off", "mesh uncovered", "mesh_cover_changed", "uncovered", asks="how much of it"),
        Choice("holes-open", "holes opened", "holes_changed", "opened", asks="how many"),
        Choice("holes-closed", "holes closed", "holes_changed", "closed", asks="how many"),
        Choice("hide-in", "humid hide put in", "humid_hide_changed", "put in"),
        Choice("hide-out", "humid hide taken out", "humid_hide_changed", "taken out"),
        Choice("hide-new", "hide changed", "humid_hide_changed", "changed", asks="how"),
    ),
    "cleaning and probe": (
        Choice("spot", "spot-cleaned", "spot_cleaned"),
        Choice("deep", "deep-cleaned", "cleaned"),
        Choice("disinfected", "disinfected", "disinfected", asks="with what, contact time, rinsed"),
        Choice("opened", "opened", "opened"),
        Choice("closed", "closed again", "closed"),
        Choice("probe-moved", "probe moved", "probe_moved", asks="where to"),
        Choice("probe-wiped", "probe wiped", "probe_wiped"),
        Choice("probe-replaced", "probe replaced", "probe_replaced", asks="by which"),
        Choice("probe-checked", "probe checked", "probe_checked", asks="against what, by how much it was off"),
        Choice("heater", "heater or thermostat changed", "heater_changed", asks="how"),
        Choice("warm-up", "warming up", "warm_up"),
        Choice("surface-warm", "warm end measured", "surface", "warm end", asks="temperature of the surface"),
        Choice("surface-hide", "hide measured", "surface", "hide", asks="temperature of its floor"),
        Choice("surface-wall", "cool wall measured", "surface", "cool wall", asks="temperature of the coolest wall"),
    ),
    "the snake": (
        Choice("fed", "fed", "fed", asks="what"),
        Choice("refused", "refused food", "refused"),
        Choice("handled", "handled", "handled"),
        Choice("weighed", "weighed", "weighed", asks="grams"),
        Choice("opaque", "opaque (in blue)", "opaque"),
        Choice("cleared", "eyes cleared", "cleared"),
        Choice("moved-in", "moved in", "moved_in", asks="which snake"),
        Choice("moved-out", "moved out", "moved_out", asks="which snake"),
        Choice("gravid", "gravid", "gravid"),
        Choice("laid", "laid a clutch", "laid", asks="how many eggs"),
        Choice("eggs", "eggs set up", "eggs", asks="how many"),
        Choice("hatched", "hatched", "hatched", asks="how many"),
        Choice("hatchling", "is a hatchling", "hatchling"),
        Choice("quarantine", "quarantine begins", "quarantine"),
        Choice("quarantine-over", "quarantine over", "quarantine_over"),
        Choice("stage-over", "stage over, the usual limits again", "stage_over"),
        Choice("limits", "other limits for a time", BAND, asks="lowest and highest humidity in %, like 65-80"),
        Choice("limits-over", "limits for a time over", BAND_OVER),
    ),
    "the shed": (
        Choice(
            "shed-whole",
            "shed whole, spectacles and tail tip too",
            "shed",
            "one piece, spectacles and the skin of the tail tip off",
        ),
        Choice("shed-pieces", "shed in pieces", "shed", "in pieces", asks="spectacles off? skin of the tail tip off?"),
        Choice("shed-eyes", "a spectacle is still on", "shed", "spectacle retained", asks="which eye"),
        Choice("shed-tail", "skin is still on the tail tip", "shed", "skin of the tail tip retained"),
        Choice(HAS_SHED, "has shed: grade it", "shed"),
    ),
    "looked at": (
        Choice("wall-wet", "cool wall wet", "wall_wet"),
        Choice("wall-dry", "cool wall dry", "wall_dry"),
        Choice("belly-smooth", "belly scales smooth", "belly_smooth"),
        Choice("belly-rough", "belly scales rough", "belly_rough"),
        Choice("belly-colour", "belly red or brown", "belly_discoloured", asks="where"),
        Choice("belly-cracked", "belly scales cracked, or lifted at their edges", "belly_cracked", asks="where"),
        Choice("wheeze", "wheeze or mucus", "wheeze"),
        Choice("open-mouth", "breathes with an open mouth", "open_mouth"),
        Choice("vet", "vet seen", "vet", asks="what was said"),
        Choice("note", "note", "note", asks="what"),
    ),
}
"""Groups of choices, in the order of the page."""

BY_KEY: Final[Mapping[str, Choice]] = {c.key: c for group in CHOICES.values() for c in group}
CAUTIONS: Final[Mapping[str, str]] = {
    "mesh-on": "Near a lamp or heater covered mesh can catch fire, and a closed tub goes stale. "
    "Look at the temperature again within the hour.",
    "holes-closed": "Less air keeps water in, and staleness too. Look at the temperature again within the hour.",
    "disinfected": "Never mix bleach with acid or ammonia. Keep the contact time on the label; rinse, dry and air "
    "before the snake goes back, and keep alcohol and its vapour off the probe.",
    "deep": "If you disinfect: never mix bleach with acid or ammonia, keep the contact time on the label, and rinse, "
    "dry and air before the snake goes back.",
    "hide-out": "Even with the number in its band a snake needs a damp place and a dry one to choose from.",
    "moistened": "A humid hide does more than a wet floor: belly scales on a floor that stays wet fall ill.",
    "opaque": "In blue a humid hide helps, not a wet floor. Leave it in peace: feed and handle again after the shed, "
    "which usually comes within two weeks.",
    "shed-pieces": "Do not pull at what is left. If a spectacle or skin of the tail tip is still on, an exotics vet takes it off.",
    "belly-rough": "Look again in a day or two. Red, brown or blistered scales are for an exotics vet.",
    "probe-checked": SALT_CAUTION,
    "probe-wiped": "Keep alcohol and solvents, and their vapour, away from it: they spoil a humidity sensor.",
    "heater": "Every heater needs a thermostat of its own and an independent cut-out that fails to off. Look at the "
    "temperature again within the hour; mains work is for a licensed electrician.",
    "surface-warm": "A surface burns before a snake leaves it: a guard and a thermostat on every heater, and an independent cut-out "
    "that fails to off. Blisters or darkened scales are for an exotics vet.",
    "surface-hide": "Damp, never dripping: belly scales on a floor that stays wet fall ill.",
    "wall-wet": "Air that drips in the morning is stale or too damp: wheeze, bubbles or breathing with an open mouth are for an exotics vet.",
    "quarantine": "In another room, seen to last, with tools of its own, for as long as your vet says. A snake that carries "
    "something can look well.",
    "refused": "Often nothing: a shed is coming, or a season. Loss of weight is for an exotics vet.",
    "handled": "Snakes carry salmonella: wash your hands, and keep small children away.",
}
"""What somebody who just did this should know; the page says it once, beside "written down"."""
QUICK: Final = ("misted", "refilled", "spot", "fed", "handled", "opaque")
"""The choices an enclosure's screen offers at once: the second of two taps."""
SEVERAL_GROUPS: Final = ("cleaning and probe", "water", "floor and air", "the snake", "looked at")
"""The groups that are offered for several tubs at once, what one does to a whole shelf first."""
EGG_BOX: Final = frozenset(
    {"misted", "moistened", "opened", "closed", "probe-moved", "probe-wiped", "probe-replaced", "probe-checked", "heater",
     "warm-up", "holes-open", "holes-closed", "eggs", "hatched", "stage-over", "surface-wall", "wall-wet", "wall-dry", "limits", "limits-over", "vet", "note", "refilled", "disinfected", "deep"}
)  # fmt: skip
"""What can be done to a box of eggs: nobody feeds it."""
_EGG_QUICK: Final = ("opened", "closed", "moistened", "eggs", "hatched", "note")


def fitting(kind: str) -> dict[str, list[Choice]]:
    """Return the groups of choices that fit an enclosure of this kind; empty groups are left out."""
    groups = {group: [c for c in items if kind != "egg_box" or c.key in EGG_BOX] for group, items in CHOICES.items()}
    return {group: items for group, items in groups.items() if items}


def beside_curves(kind: str, quick: Sequence[Choice] = ()) -> dict[str, list[Choice]]:
    """Return the choices of a screen that shows the air: none of them grades a shed, for whoever grades must not know it.

    quick: those that are offered already.
    """
    groups = {
        group: [c for c in items if (c.what != "shed" or c.key == HAS_SHED) and (c.asks or c not in quick)]
        for group, items in fitting(kind).items()
    }
    return {group: items for group, items in groups.items() if items}


def often(kind: str, entries: Sequence[JournalEntry]) -> list[Choice]:
    """Return the choices that are offered at once: those used most lately, filled up with the usual ones.

    Only what needs no further word: it is the second of two taps.
    """
    fits = {c.key for items in fitting(kind).values() for c in items}
    counts = Counter(entry.what for entry in entries)
    usual = [key for key in (_EGG_QUICK if kind == "egg_box" else QUICK) if key in fits]
    first = {BY_KEY[key].what: key for key in reversed(usual)}
    used = [c for c in BY_KEY.values() if c.key in fits and not c.asks and not c.detail and counts[c.what]]
    # A stage changes limits: that is asked on a form of its own, with its end.
    more = [c.key for c in used if c.what not in first and JOURNAL[c.what].stage is None]
    ranked = sorted(dict.fromkeys([*usual, *more]), key=lambda key: -counts[BY_KEY[key].what])
    return [BY_KEY[key] for key in ranked[: len(QUICK)]]


SITTER: Final = ("refilled", "misted")
"""The two things a sitter may do and say."""


def caution_about(what: str, detail: str) -> str:
    """Return what somebody who just wrote this down should know, "" for nothing."""
    if asks_for_vet(what, detail):
        return "This is for an exotics vet: no setting of humidity cures it. Never pull skin or a spectacle off."
    fits = (key for key in CAUTIONS if BY_KEY[key].what == what and detail.startswith(BY_KEY[key].detail))
    # An empty detail begins every text: the choice that says most is the one that was tapped.
    return CAUTIONS.get(max(fits, key=lambda key: len(BY_KEY[key].detail), default=""), "")


def asks_for_vet(what: str, detail: str) -> bool:
    """Whether an entry is a sign of illness: then the page names the vet and gives no advice."""
    return what in SIGNS or (what == "shed" and grade_of(detail).retained)


# At import, for these tables are typed by hand, and a slip in one would show only where somebody taps.
if unknown := set(CAUTIONS) - set(BY_KEY):
    raise TypeError(f"cautions about no choice: {sorted(unknown)}")
if missing := {c.what for c in BY_KEY.values()} - set(JOURNAL):
    raise TypeError(f"choices without a journal word: {sorted(missing)}")
