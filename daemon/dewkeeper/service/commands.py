"""The one command handler: page and command line submit the same requests here.

A request is a mapping with `do` (the verb), `who`, and what the verb needs. Times may be given as integer UTC
seconds; a missing `time` means now.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Command, Item, JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper_config.models import Config

LONGEST_SHELVE_SECONDS = 24 * 3600
LONGEST_SERVICE_SECONDS = 366 * 86400
DEFAULT_REVIEW_SECONDS = 7 * 86400
_TEXT_LIMIT = 2000

Handler = Callable[[dict[str, Any]], Mapping[str, Any]]


class CommandHandler:
    """Checks requests and turns them into stream items.

    submit: hands an item to the writer and returns why it was not stored, or an empty string.
    now: integer UTC seconds on the sampler's timeline. standing: ids and enclosures of alarms that can be acted on.
    """

    def __init__(
        self,
        config: Config,
        submit: Callable[[Item], str],
        now: Callable[[], int],
        standing: Callable[[], Mapping[str, str | None]],
    ) -> None:
        self._enclosures = {enclosure.name for enclosure in config.enclosure}
        self._probes = {probe.name for probe in config.probe}
        self._submit = submit
        self._now = now
        self._standing = standing

    def handlers(self) -> dict[str, Handler]:
        """Return verb -> handler."""
        return {
            "journal": self.journal,
            "acknowledge": self.about_alarm,
            "shelve": self.shelve,
            "unshelve": self.about_alarm,
            "out_of_service": self.out_of_service,
            "in_service": self.about_enclosure,
            "suppress": self.suppress,
            "unsuppress": self.about_enclosure,
            "away": self.away,
            "back": self.away,
            "exclude": self.exclude,
        }

    def journal(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Add or, with `replaces`, correct a journal entry: `what`, `enclosure`, `detail`, `time`, `until`."""
        what = _text(request, "what")
        if what not in JOURNAL:
            raise CommandRefused(f"no journal word {what!r}; there are: {', '.join(sorted(JOURNAL))}")
        now = self._now()
        at = _seconds(request, "time", now) or now
        if at > now + 60:
            raise CommandRefused("the journal is for what happened; the time lies in the future")
        entry = JournalEntry(
            id=str(request.get("id") or uuid.uuid4()),
            time=at,
            enclosure=self._enclosure(request, required=False),
            what=what,
            detail=_text(request, "detail", required=False),
            who=_text(request, "who", required=False),
            until=_seconds(request, "until", None),
            entered=now,
            replaces=_text(request, "replaces", required=False) or None,
        )
        return self._stored(entry, entry.id)

    def about_alarm(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Acknowledge or unshelve one standing `alarm`."""
        alarm = self._alarm(request)
        return self._command(request, alarm=alarm, enclosure=self._standing()[alarm])

    def shelve(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Shelve one `alarm` with a reason (`why`) `until` a time at most 24 h ahead."""
        alarm = self._alarm(request)
        if not _text(request, "why"):
            raise CommandRefused("shelving needs a reason (why)")
        until = self._end(request, LONGEST_SHELVE_SECONDS, "an alarm can be shelved for at most 24 hours")
        return self._command(request, alarm=alarm, enclosure=self._standing()[alarm], until=until)

    def out_of_service(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Take an `enclosure` out of service with a reason and a review date (`until`; default in 7 days)."""
        if not _text(request, "why"):
            raise CommandRefused("taking out of service needs a reason (why)")
        request.setdefault("until", self._now() + DEFAULT_REVIEW_SECONDS)
        until = self._end(request, LONGEST_SERVICE_SECONDS, "the review date lies within a year")
        return self._command(request, enclosure=self._enclosure(request), until=until)

    def about_enclosure(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Put an `enclosure` back in service, or end a suppression."""
        return self._command(request, enclosure=self._enclosure(request))

    def suppress(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Suppress the alarms of an `enclosure` while it is worked on, `until` at most 24 h ahead."""
        until = self._end(request, LONGEST_SHELVE_SECONDS, "a suppression ends within 24 hours")
        return self._command(request, enclosure=self._enclosure(request), until=until)

    def away(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Turn away mode on (`away`, `until` within 90 days) or off (`back`)."""
        if request["do"] == "back":
            return self._command(request)
        return self._command(request, until=self._end(request, 90 * 86400, "away mode ends within 90 days"))

    def exclude(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Exclude the readings of a `probe` since `time`: the keeper knows it was not where it belongs."""
        probe = _text(request, "probe")
        if probe not in self._probes:
            raise CommandRefused(f"no probe {probe!r}; there are: {', '.join(sorted(self._probes))}")
        return self._command(request, probe=probe)

    def _command(self, request: dict[str, Any], **about: Any) -> Mapping[str, Any]:
        now = self._now()
        command = Command(
            id=str(uuid.uuid4()),
            time=min(_seconds(request, "time", now) or now, now),  # the judge's time would run ahead of the readings
            verb=request["do"],
            who=_text(request, "who", required=False),
            why=_text(request, "why", required=False),
            **about,
        )
        return self._stored(command, command.id)

    def _stored(self, item: Item, identity: str) -> Mapping[str, Any]:
        not_stored = self._submit(item)
        return {"done": True, "id": identity, "not_recorded": not_stored}

    def _alarm(self, request: dict[str, Any]) -> str:
        """Return the full id of the standing alarm that the request names by id or by its unmistakable beginning."""
        given = _text(request, "alarm")
        found = [alarm for alarm in self._standing() if alarm == given or (len(given) >= 4 and alarm.startswith(given))]
        if len(found) != 1:
            raise CommandRefused(f"no standing alarm {given!r}; `dewkeeper alarms` lists them")
        return found[0]

    def _enclosure(self, request: dict[str, Any], *, required: bool = True) -> str | None:
        given = _text(request, "enclosure", required=required)
        if given and given not in self._enclosures:
            raise CommandRefused(f"no enclosure {given!r}; there are: {', '.join(sorted(self._enclosures))}")
        return given or None

    def _end(self, request: dict[str, Any], longest_seconds: int, rule: str) -> int:
        until = _seconds(request, "until", None)
        now = self._now()
        if until is None or until <= now or until > now + longest_seconds:
            raise CommandRefused(f"`until` is missing or not allowed: {rule}")
        return until


def _text(request: Mapping[str, Any], key: str, *, required: bool = True) -> str:
    value = request.get(key)
    if value is None and not required:
        return ""
    if not isinstance(value, str) or (required and not value.strip()):
        raise CommandRefused(f"`{key}` is missing")
    if len(value) > _TEXT_LIMIT:
        raise CommandRefused(f"`{key}` is longer than {_TEXT_LIMIT} characters")
    return value.strip()


def _seconds(request: Mapping[str, Any], key: str, default: int | None) -> int | None:
    value = request.get(key, default)
    if value is None:
        return default
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 1 << 40:
        raise CommandRefused(f"`{key}` must be integer UTC seconds")
    return value
