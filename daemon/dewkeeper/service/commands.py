"""The one command handler: page and command line submit the same requests here.

A request is a mapping with `do` (the verb), `who`, and what the verb needs. Times may be given as integer UTC
seconds; a missing `time` means now.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.insight.places import COLDEST_C, WARMEST_C, surface_of, with_unit
from dewkeeper.interchange import NO_DATE
from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.stages import BAND, LEAST_BAND_PERCENT, band_of
from dewkeeper.judge.types import Calibration, Command, Item, JournalEntry, SaltPoint
from dewkeeper.judge.words import JOURNAL, LONGEST_SHELF_SECONDS, LONGEST_SUPPRESSION_SECONDS
from dewkeeper.report.weights import HEAVIEST_GRAMS, grams_of
from dewkeeper.sampling.salts import LARGEST_C, LARGEST_PERCENT, Jar, correction, next_check
from dewkeeper_config.models import Config

LONGEST_SERVICE_SECONDS = 366 * 86400
LONGEST_BAND_SECONDS = 400 * 86400
DEFAULT_REVIEW_SECONDS = 7 * 86400
_TEXT_LIMIT = 2000

Handler = Callable[[dict[str, Any]], Mapping[str, Any]]


def whole_text(handler: Handler) -> Handler:
    """Return a handler that refuses requests with text that no file and no message could hold."""

    def checked(request: dict[str, Any]) -> Mapping[str, Any]:
        for key, value in request.items():
            try:
                json.dumps(value, ensure_ascii=False, default=str).encode()
            except UnicodeEncodeError as error:
                raise CommandRefused(
                    f"`{key}` holds bytes that are no text (not UTF-8): {value!a}; type it again"
                ) from error
        return handler(request)

    return checked


class CommandHandler:
    """Checks requests and turns them into stream items.

    submit: hands an item to the writer and returns why it was not stored, or an empty string.
    now: integer UTC seconds on the sampler's timeline. standing: ids and enclosures of alarms that can be acted on.
    calibrations: those there are.
    """

    def __init__(
        self,
        config: Config,
        submit: Callable[[Item], str],
        now: Callable[[], int],
        standing: Callable[[], Mapping[str, str | None]],
        calibrations: Callable[[], Calibrations],
    ) -> None:
        self._enclosures = {enclosure.name for enclosure in config.enclosure}
        self._probes = {probe.name for probe in config.probe}
        self._fahrenheit = config.site.units == "fahrenheit"
        self._submit = submit
        self._now = now
        self._standing = standing
        self._calibrations = calibrations

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
            "calibrate": self.calibrate,
        }

    def journal(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Add or, with `replaces`, correct a journal entry: `what`, `enclosure`, `detail`, `time`, `until`."""
        what = _text(request, "what")
        if what not in JOURNAL:
            raise CommandRefused(f"no journal word {what!r}; there are: {', '.join(sorted(JOURNAL))}")
        now = self._now()
        at = _seconds(request, "time", now) or now
        # A minute's grace, for the clock it was read from may be another.
        if at > now + 60:
            raise CommandRefused("the journal is for what happened; the time lies in the future")
        detail, until = _text(request, "detail", required=False), _seconds(request, "until", None)
        if until is not None and until >= NO_DATE:
            raise CommandRefused("`until` lies at the end of the calendar, where no screen could show it")
        if what == BAND:
            _check_band(request, detail, until, now)
        if what == "weighed" and grams_of(detail) is None:
            raise CommandRefused(
                f"{detail!r} is no weight: say it as `1450`, `1450 g` or `1.45 kg`, at most {HEAVIEST_GRAMS / 1000:.0f} kg"
            )
        if what == "surface":
            self._enclosure(request)
            detail = _surface(detail, fahrenheit=self._fahrenheit)
        entry = JournalEntry(
            id=str(request.get("id") or uuid.uuid4()),
            time=at,
            enclosure=self._enclosure(request, required=False),
            what=what,
            detail=detail,
            who=_text(request, "who", required=False),
            until=until,
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
        if not _text(request, "why", required=False):
            raise CommandRefused("shelving needs a reason (why)")
        until = self._end(request, LONGEST_SHELF_SECONDS, "an alarm can be shelved for at most 24 hours")
        return self._command(request, alarm=alarm, enclosure=self._standing()[alarm], until=until)

    def out_of_service(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Take an `enclosure` out of service with a reason and a review date (`until`; default in 7 days)."""
        if not _text(request, "why", required=False):
            raise CommandRefused("taking out of service needs a reason (why)")
        request.setdefault("until", self._now() + DEFAULT_REVIEW_SECONDS)
        until = self._end(request, LONGEST_SERVICE_SECONDS, "the review date lies within a year")
        return self._command(request, enclosure=self._enclosure(request), until=until)

    def about_enclosure(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Put an `enclosure` back in service, or end a suppression."""
        return self._command(request, enclosure=self._enclosure(request))

    def suppress(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Suppress the alarms of an `enclosure` while it is worked on, `until` at most 4 h ahead."""
        until = self._end(request, LONGEST_SUPPRESSION_SECONDS, "a suppression ends within 4 hours")
        return self._command(request, enclosure=self._enclosure(request), until=until)

    def away(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Turn away mode on (`away`, `until` within 90 days) or off (`back`)."""
        if request["do"] == "back":
            return self._command(request)
        return self._command(request, until=self._end(request, 90 * 86400, "away mode ends within 90 days"))

    def exclude(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Exclude the readings of a `probe` since `time`: the keeper knows it was not where it belongs."""
        return self._command(request, probe=self._probe(request))

    def calibrate(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Correct a `probe` from `time` on (default now).

        `jars`: one or two of [salt, %RH the sensor itself read, °C]; or `humidity_offset_percent`. `temperature_offset_c`
        beside either, or alone. What is not given stays as it is. `uncertainty_percent` (k = 2) and `why` are kept.
        """
        probe, now = self._probe(request), self._now()
        # From the next second on, where no time is given: what was read in this one was judged as it was read.
        at = _seconds(request, "time", None) or now + 1
        if at > now + 1:
            raise CommandRefused("a calibration is recorded when it was made; the time lies in the future")
        known = self._calibrations()
        before = known.at(probe, at) or Calibration(at, probe)
        jars = _jars(request)
        offset = _number(request, "humidity_offset_percent", LARGEST_PERCENT)
        warmer = _number(request, "temperature_offset_c", LARGEST_C)
        stated = _number(request, "uncertainty_percent", LARGEST_PERCENT)
        if jars and offset is not None:
            raise CommandRefused("give either what was read over salts or `humidity_offset_percent`, not both")
        if not jars and offset is None and warmer is None:
            raise CommandRefused("nothing to correct: give what was read over salts, or an offset")
        if stated is not None and stated <= 0:
            raise CommandRefused("`uncertainty_percent` must be above 0")
        made = replace(
            # A correction of the temperature alone has checked no humidity.
            before, time=at, checked=before.checked if not jars and offset is None else now, who=_text(request, "who", required=False), note=_text(request, "why", required=False),
            temperature_offset_c=before.temperature_offset_c if warmer is None else warmer,
        )  # fmt: skip
        if offset is not None:
            made = replace(
                made, humidity_gain=1.0, humidity_offset_percent=offset, uncertainty_percent=stated, points=()
            )
        elif jars:
            try:
                found = correction(jars, before.humidity_gain)
            except ValueError as error:
                raise CommandRefused(str(error)) from error
            made = replace(
                made, humidity_gain=found.gain, humidity_offset_percent=found.offset_percent,
                uncertainty_percent=stated or found.uncertainty_percent,
            )  # fmt: skip
            made = replace(made, points=tuple(_point(jar, before, made) for jar in jars))
        # One that was recorded for a later time holds from then on.
        until = min((one.time for one in known.of(probe) if one.time > at), default=None)
        return {
            "not_recorded": self._submit(made), "done": True, "calibration": asdict(made), "until": until,
            "due": next_check(made.checked),
        }  # fmt: skip

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
        # Fewer than four letters of an id would hit one by chance.
        found = [alarm for alarm in self._standing() if alarm == given or (len(given) >= 4 and alarm.startswith(given))]
        if len(found) != 1:
            raise CommandRefused(f"no standing alarm {given!r}; `dewkeeper alarms` lists them")
        return found[0]

    def _probe(self, request: dict[str, Any]) -> str:
        probe = _text(request, "probe")
        if probe not in self._probes:
            raise CommandRefused(f"no probe {probe!r}; there are: {', '.join(sorted(self._probes))}")
        return probe

    def _enclosure(self, request: dict[str, Any], *, required: bool = True) -> str | None:
        given = _text(request, "enclosure", required=required)
        if given and given not in self._enclosures:
            raise CommandRefused(f"no enclosure {given!r}; there are: {', '.join(sorted(self._enclosures))}")
        return given or None

    def _end(self, request: dict[str, Any], longest_seconds: int, rule: str) -> int:
        until = _seconds(request, "until", None)
        now = self._now()
        if until is None or until <= now or until > now + longest_seconds:
            raise CommandRefused(f"{rule}; `until` is missing, past or later than that")
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


def _jars(request: Mapping[str, Any]) -> list[Jar]:
    given = request.get("jars") or []
    try:
        return [Jar(str(salt), float(read), float(temperature)) for salt, read, temperature in given]
    except (TypeError, ValueError) as error:
        raise CommandRefused("`jars` are lists of a salt, the %RH the sensor read, and °C") from error


def _point(jar: Jar, before: Calibration, after: Calibration) -> SaltPoint:
    found, left = (one.corrected(jar.temperature_c, jar.read_percent)[1] for one in (before, after))
    return SaltPoint(jar.salt, jar.temperature_c, jar.reference_percent, jar.read_percent, found, left)


def _number(request: Mapping[str, Any], key: str, largest: float) -> float | None:
    value = request.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not -largest <= value <= largest:
        raise CommandRefused(f"`{key}` must be a number from -{largest:g} to {largest:g}")
    return float(value)


def _seconds(request: Mapping[str, Any], key: str, default: int | None) -> int | None:
    value = request.get(key, default)
    if value is None:
        return default
    # The store's `FOREVER`, which stands for an open end.
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 1 << 40:
        raise CommandRefused(f"`{key}` must be integer UTC seconds")
    return value


def _surface(detail: str, *, fahrenheit: bool) -> str:
    """Return what is kept of a surface reading, with its unit. Raises CommandRefused for one that says too little."""
    kept = with_unit(detail, fahrenheit=fahrenheit)
    if surface_of(kept) is None:
        raise CommandRefused(
            "a surface reading is a temperature and where: `31.5 hide floor`, `warm end 33`, `cool wall 24`;"
            f" between {COLDEST_C:.0f} and {WARMEST_C:.0f} °C"
        )
    return kept


def _check_band(request: dict[str, Any], detail: str, until: int | None, now: int) -> None:
    """Raise CommandRefused for limits for a time that could not be judged by."""
    if not request.get("enclosure"):
        raise CommandRefused("limits for a time are those of one enclosure; name it")
    if band_of(detail) is None:
        raise CommandRefused(
            f"limits for a time are written as 65-80: whole % of 0 to 100, at least {LEAST_BAND_PERCENT} apart"
        )
    if until is not None and until > now + LONGEST_BAND_SECONDS:
        raise CommandRefused("limits for a time end within 400 days; for longer, the file has the limits")
