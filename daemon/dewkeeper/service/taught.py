"""What insight hands in: learned facts for the judge's stream, and the figures from which a forecast is run on.

The learning pass is a process of its own that reads the database and comes back through the control socket, as any
command does: nothing of it, numpy least of all, is ever loaded by the daemon.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from typing import Any, Final

from dewkeeper.errors import CommandRefused
from dewkeeper.insight.changed import CHANGED
from dewkeeper.insight.compared import COMPARED
from dewkeeper.insight.outlook import OUTLOOK
from dewkeeper.judge.types import LONGEST_FACT_SECONDS, Fact, Item, Learned
from dewkeeper.service.commands import Handler
from dewkeeper.store import codec
from dewkeeper.store.records import FIGURES

_MOST_FACTS: Final = 32
_LONGEST_TEXT: Final = 40_000
_FIGURES: Final = {"outlook": OUTLOOK, "changed": CHANGED, "compared": COMPARED}
_LONGEST_WHY: Final = 400


class Taught:
    """Handler for the control socket.

    places: enclosures, and rooms as `room_place` calls them. submit: hands an item to the judge's stream and returns why it was not stored, or an empty string. store_note: stores
    a small named fact. now: integer UTC seconds.
    """

    def __init__(
        self,
        places: Collection[str],
        submit: Callable[[Item], str],
        store_note: Callable[[str, str], None],
        now: Callable[[], int],
    ) -> None:
        self._places = frozenset(places)
        self._submit = submit
        self._store_note = store_note
        self._now = now

    def handlers(self) -> dict[str, Handler]:
        """Return verb -> handler."""
        return {"learned": self.learned}

    def learned(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Take what was learned of an `enclosure`, or of a room: `facts` (None: as before) with the `version` of the way of learning, and the figures of its `outlook`, of what was `changed` and at what openings its probe was `compared` (texts)."""
        enclosure = request.get("enclosure")
        if enclosure not in self._places:
            raise CommandRefused(f"no enclosure {enclosure!r}; there are: {', '.join(sorted(self._places))}")
        texts = {about: request.get(key, "") for key, about in _FIGURES.items()}
        if not all(isinstance(text, str) and len(text) <= _LONGEST_TEXT for text in texts.values()):
            raise CommandRefused(f"{', '.join(_FIGURES)} must be text of at most {_LONGEST_TEXT} characters each")
        facts, version = request.get("facts"), request.get("version")
        not_recorded = ""
        if facts is not None:
            if isinstance(version, bool) or not isinstance(version, int) or version < 1:
                raise CommandRefused("`version` must be an integer above 0")
            now = self._now()
            not_recorded = self._submit(Learned(now, enclosure, _facts(facts, now), version))
        for about, text in texts.items():
            if text:
                self._store_note(f"{FIGURES}{about}{enclosure}", text)
        return {"done": True, "not_recorded": not_recorded}


def _facts(described: object, now: int) -> tuple[Fact, ...]:
    """Return facts that can be true, from their JSON values. Raises CommandRefused."""
    if not isinstance(described, list) or len(described) > _MOST_FACTS:
        raise CommandRefused(f"`facts` must be a list of at most {_MOST_FACTS}")
    try:
        facts = codec.as_facts(described)
    except ValueError as error:
        raise CommandRefused(f"`facts`: {error}") from error
    if len({fact.quantity for fact in facts}) < len(facts):
        raise CommandRefused("`facts`: a quantity is there twice")
    problems = [problem for fact in facts for problem in _problems(fact, now)]
    if problems:
        raise CommandRefused(f"`facts`: {'; '.join(problems)}")
    return facts


def _problems(fact: Fact, now: int) -> list[str]:
    """Return what is wrong with a fact."""
    name, given = fact.quantity, [v for v in (fact.low, fact.value, fact.high) if v is not None]
    found = []
    if not all(map(math.isfinite, given)) or given != sorted(given):
        found.append(f"{name} must lie within its interval, all of them numbers")
    if fact.value is None and (given or not fact.why.strip()):
        found.append(f"{name} is withheld: it has no interval, and says why")
    if fact.value is not None and not now < fact.until <= now + LONGEST_FACT_SECONDS:
        found.append(f"{name} must hold until a time within {LONGEST_FACT_SECONDS // 86400} days")
    if len(fact.why) > _LONGEST_WHY or min(fact.decays, fact.days) < 0:
        found.append(f"{name} has too long a reason, or counts below nothing")
    return found
