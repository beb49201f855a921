"""The judge: one ordered stream in, quality and events out. No clock, no store, no network, no logging."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import cast

from dewkeeper.judge.acting import act, realarm, withholding_ends
from dewkeeper.judge.adopt import adopt
from dewkeeper.judge.checks.swapped import SwappedMemory
from dewkeeper.judge.contract import Over, Stands
from dewkeeper.judge.dump import DumpUnreadable, pack, unpack
from dewkeeper.judge.faults import unwatched
from dewkeeper.judge.inputs.calibration import recalibrate
from dewkeeper.judge.inputs.commands import apply_command
from dewkeeper.judge.inputs.journal import apply_journal_entry, restage
from dewkeeper.judge.inputs.settings import apply_settings
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.pipeline import check_silence, lost, name_cause, name_restarts, notes, take
from dewkeeper.judge.register import Key
from dewkeeper.judge.state import JudgeState
from dewkeeper.judge.table import MEMORIES
from dewkeeper.judge.types import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    NOTHING,
    Alarm,
    Calibration,
    Command,
    Event,
    Exclusion,
    Item,
    JournalEntry,
    Learned,
    Quality,
    Reading,
    Rebase,
    Settings,
    SystemReport,
    Verdict,
)

_UNKNOWN = (NOT_EVALUATED, ("unknown_probe",))
_RETIRED = (FAIL, ("retired",))


class Judge:
    """Feed it items in arrival order, `Settings` first; before that everything is passed over.

    The same items in the same order give the same events, ids included, whatever `Tick` come between and wherever a
    `dump` was loaded.
    """

    def __init__(self) -> None:
        self._state = JudgeState()

    def feed(self, item: Item) -> Verdict:
        """Take one item and return what it led to: due timers first, then the item itself."""
        if item.__class__ is Reading:
            flag, tests = self.judge_values(
                item.time, item.probe, item.temperature_c, item.humidity_percent,
                item.temperature_word, item.humidity_word, item.failure, item.notes,
            )  # fmt: skip
            quality: tuple[Quality, ...] = (Quality(item.time, item.probe, flag, tests),)
        else:
            self._take(item)
            quality = ()
        state = self._state
        # Most items lead to nothing, and one empty verdict serves them all.
        if not quality and not state.register.events and not state.exclusions:
            return NOTHING
        return Verdict(quality, tuple(self.take_events()), state.take_exclusions())

    def judge_values(
        self,
        time: int,
        probe: str,
        temperature_c: float | None,
        humidity_percent: float | None,
        temperature_word: int | None = None,
        humidity_word: int | None = None,
        failure: str | None = None,
        seen: tuple[str, ...] = (),
    ) -> tuple[int, tuple[str, ...]]:
        """Take one reading, unwrapped for speed; return flag and tests. Events wait for `take_events`."""
        state = self._state
        # On the sampler's timeline: a step of the wall clock moved the stamps, not what elapsed.
        now = time - state.shift
        if now > state.now:
            if now >= state.timers.due:
                self._fire(now)
            state.advance(now)
        known = state.probes.get(probe)
        if known is None:
            return _UNKNOWN
        if known.retired != NEVER:
            return _RETIRED if temperature_c is not None else (MISSING, (failure or "missing",))
        if temperature_c is None or humidity_percent is None:
            return lost(state, known, now, failure or "missing")
        swapped: SwappedMemory = known.memories["SwappedMemory"]
        if seen or swapped.note:
            notes(state, known, state.now, seen)  # an old reading tells what is seen now, not when
        if state.sick:
            state.heard(known)
        burst = bool(seen) and "crc_burst" in seen
        if temperature_word is None or humidity_word is None:
            return take(state, known, now, temperature_c, humidity_percent, temperature_c, humidity_percent, burst)
        return take(state, known, now, temperature_c, humidity_percent, temperature_word, humidity_word, burst)

    def take_events(self) -> list[Event]:
        """Return the events since last asked, in order, and forget them."""
        register = self._state.register
        events = register.events
        if events:
            register.events = []
        return events

    def take_exclusions(self) -> tuple[Exclusion, ...]:
        """Return what was excluded of the past since last asked."""
        return self._state.take_exclusions()

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal: standing, withheld, or returned and not yet seen."""
        state = self._state
        dose = {
            (probe.enclosure, side.kind): side.measure(side.level)
            for probe in state.probes.values() for side in probe.sides if side.level
        }  # fmt: skip
        return tuple(
            replace(alarm, detail={**alarm.detail, **dose.get((alarm.enclosure, alarm.kind), {})})
            for alarm in state.register.alarms()
        )

    def stale(self) -> tuple[Alarm, ...]:
        """Return what has stood, told, for more than a day."""
        ids = {instance.id for instance in self._state.register.stale(self._state.now)}
        return tuple(alarm for alarm in self.alarms() if alarm.alarm in ids)

    def out_of_service(self) -> Mapping[str, int]:
        """Return enclosure -> review time (stored seconds) of what is out of service."""
        register = self._state.register
        return {place: register.wall(until) for place, until in register.out_of_service.items()}

    def unwatched(self) -> Mapping[str, tuple[str, int]]:
        """Return enclosure -> (why, since) of what nobody sees now."""
        wall = self._state.register.wall
        return {name: (why, wall(since)) for name, (why, since) in unwatched(self._state).items()}

    def troubles(self) -> frozenset[str]:
        """Return what the service reported as in trouble and not yet as well again."""
        instances = self._state.register.instances.items()
        return frozenset(
            place.removeprefix("system:")
            for (place, kind), instance in instances
            if kind == "system" and instance.stands and place.startswith("system:")
        )

    def time(self) -> int:
        """Return the stored time of the last item, UTC seconds; far below zero before the first."""
        return self._state.register.wall(self._state.now)

    def adopt(self, alarms: Sequence[Alarm], told: Mapping[str, int]) -> None:
        """After judging the last days anew: take over the alarms as they were stored. What must be told comes out next.

        told: alarm -> how many events are stored about it, for those whose raising was told.
        """
        adopt(self._state, alarms, told)

    def dump(self) -> bytes:
        """Return the whole memory, from which `load` goes on exactly."""
        return pack(self._state)

    @classmethod
    def load(cls, data: bytes) -> Judge:
        """Return a judge that goes on where the dump was taken. Raises DumpUnreadable."""
        judge = cls()
        judge._state = unpack(data)
        # A dump may unpack and yet lack what this version's checks remember.
        wanted = {memory.__name__ for memory in MEMORIES}
        if any(probe.memories.keys() != wanted for probe in judge._state.probes.values()):
            raise DumpUnreadable("another version's checks and detectors made this dump")
        return judge

    def _take(self, item: Item) -> None:
        state = self._state
        if isinstance(item, Rebase):
            # First, for its own time is one after the step.
            self._step_clock(item)
        # An entry counts from when it was written; what it says of may lie days back.
        at = item.entered if isinstance(item, JournalEntry) and item.entered is not None else item.time
        now = at - state.shift
        if now > state.now:
            self._fire(now)
            state.advance(now)
        now = state.now
        if isinstance(item, Settings):
            apply_settings(state, item, now)
            return
        if state.settings is None:
            return
        match item:
            case JournalEntry():
                apply_journal_entry(state, item, now)
            case Command():
                apply_command(state, item, now)
            case Learned():
                state.learn(item)
            case SystemReport():
                self._report(item, now)
            case Calibration():
                recalibrate(state, item, now)
            case _:
                pass

    def _step_clock(self, item: Rebase) -> None:
        state = self._state
        if item.step_seconds != 0:
            state.step_clock(item.step_seconds, item.dates_since)
            return
        # A step of nought is a start of the daemon.
        unpolled = state.began(item.time)
        for probe in state.probes.values():
            if "missing" not in probe.faults:  # that nobody polled it is no silence of the probe
                probe.air.live += unpolled

    def _report(self, item: SystemReport, now: int) -> None:
        if item.part:
            if item.trouble:
                name_cause(self._state, item, now)
            else:
                self._state.trouble(item)
            return
        place, cause = f"system:{item.what}", item.text or item.what
        more = {"action": item.action, "site": item.site}
        detail = {"what": item.what, "text": item.text, **{name: text for name, text in more.items() if text}}
        trouble = Stands(
            "system", now - item.lasted, cause=cause, response=item.response, consequence=item.consequence, detail=detail,
            priority=item.priority, place=place,
        )  # fmt: skip
        act(self._state, None, (trouble if item.trouble else Over("system", holder=None, place=place),), now)

    def _fire(self, now: int) -> None:
        """Fire the timers due up to now, each at its own time, so that it does not matter which item woke them."""
        state = self._state
        while state.timers.due <= now:
            due, what, key = state.timers.pop()
            state.advance(due)
            self._timer(state.now, what, key)

    def _timer(self, now: int, what: str, key: str) -> None:
        state, register = self._state, self._state.register
        place, _, kind = key.partition("\x1f")
        about = cast("Key", (place, kind))
        # A timer is never taken back: each asks whether what it was set for is there still, and due.
        match what:
            case "missing" if key in state.probes:
                check_silence(state, state.probes[key], now)
            case "restarts":
                name_restarts(state, now)
            case "stage" if key in state.enclosures:
                restage(state, [key], now, "journal")
            case "suppressed" | "shelved":
                withholding_ends(state, about, what, now)
            case "review" if register.out_of_service.get(place, now + 1) <= now:
                words = "out of service, review due", "put it back in service, or set a new date"
                review = Stands(
                    "system", now, None, None, *words, priority="low", place=f"review:{place}", enclosure=place
                )
                act(state, None, (review,), now)
            case "realarm":
                realarm(state, about, now)
            case "daily":
                register.forget(now)
                state.set_timer(now + 86400, "daily", "")
            case _:
                pass
