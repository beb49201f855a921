"""The daemon: opens what is there, starts the threads, and goes on without what is missing."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from dewkeeper.clock import Clock, SystemClock
from dewkeeper.errors import CommandRefused
from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import JournalEntry, Rebase, SystemReport, room_place
from dewkeeper.notify.daily import morning_words
from dewkeeper.notify.desk import Desk
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.notify.heartbeat import Pulse, beat
from dewkeeper.notify.links import NOTE_KEY as _LINK_KEY
from dewkeeper.notify.links import new_key as new_link_key
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.notify.round_message import round_now
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper.report.round_words import round_message
from dewkeeper.report.wording import Wording, duration
from dewkeeper.sampling.bus_reports import BusReports
from dewkeeper.sampling.identity import Identities
from dewkeeper.sampling.probe_tools import NOTE as SERIAL_NOTE
from dewkeeper.sampling.probe_tools import PLACEMENT, RETIRED, SUPERSEDED, ProbeTools, numbers
from dewkeeper.sampling.sampler import Cycle, Sampler
from dewkeeper.sampling.stuck import StuckAdapters
from dewkeeper.sampling.timeline import Timeline
from dewkeeper.service import systemd
from dewkeeper.service.calendar import Calendar, SchedulerAlarm, WakeTimer
from dewkeeper.service.client import CONFIGURATION
from dewkeeper.service.commands import CommandHandler, Handler, whole_text
from dewkeeper.service.control import ControlSocket
from dewkeeper.service.copying import NightlyCopy
from dewkeeper.service.duties import duties
from dewkeeper.service.give_back import give_back
from dewkeeper.service.learner import Learner
from dewkeeper.service.ledger import Ledger
from dewkeeper.service.losses import LossCounts
from dewkeeper.service.opening import Opening
from dewkeeper.service.outward import Outward
from dewkeeper.service.page import open_page
from dewkeeper.service.parts import alive, situation, working
from dewkeeper.service.recall import recall, recall_calibrations, recall_journal
from dewkeeper.service.repairing import Repairing
from dewkeeper.service.settings import digest, judge_settings, reason
from dewkeeper.service.taught import Taught
from dewkeeper.service.waking import Waking, earlier_doubt, found
from dewkeeper.service.watch import Watch
from dewkeeper.service.writer import Chore, Note, Submission, Writer
from dewkeeper.store import History, Store
from dewkeeper.store.health import NEW_CARD, Disk
from dewkeeper.store.records import Message
from dewkeeper_config.errors import Problem
from dewkeeper_config.last_good import COPY
from dewkeeper_config.models import Config
from dewkeeper_config.models.secrets import without_secrets
from dewkeeper_config.plain import to_plain

log = logging.getLogger(__name__)

_IDLE_SECONDS = 10.0
_DONE = "done:"
_TRIES = "restarts for bus:"
_DIGEST = "settings digest"
_REASON = "settings reason"
_QUOTED_SECONDS = 30 * 86400
"""Journal entries older than this are not quoted in messages."""


class Daemon:
    """Everything that runs, wired.

    clock: the machine's, or one that is moved by hand. alarm: what wakes the calendar. problems: why the
    configuration file was refused, when the last good copy is in force, or why there is no copy of it. recheck: looks
    again; asked while there is no copy, for a full disk may have room again. synchronised:
    whether a time service has set the clock, None when nothing says so. boot: what tells this boot from others.
    answers: requests that only read and may take a while, by verb.
    learn: the command that learns from history, run every night; empty for none.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock | None = None,
        alarm: Callable[[], WakeTimer] = SchedulerAlarm,
        problems: Sequence[Problem] = (),
        recheck: Callable[[], Sequence[Problem]] = tuple,
        synchronised: Callable[[], bool | None] = lambda: None,
        boot: str = "",
        answers: Mapping[str, Handler] | None = None,
        learn: Sequence[str] = (),
    ) -> None:
        self._learn = learn
        self.config = config
        self.clock: Clock = clock or SystemClock()
        self._make_alarm = alarm
        self._refused = "; ".join(str(problem) for problem in problems if problem.key != COPY)
        self._uncopied = any(problem.key == COPY for problem in problems)
        self._recheck = recheck
        self._synchronised = synchronised
        self._boot = boot
        self._answers = answers or {}
        self._zone = ZoneInfo(config.site.timezone)
        self._folder = config.storage.folder
        self._stopping = threading.Event()
        self._opening = Opening(config.storage, self.clock, self._keep_patience)
        self._disk = Disk(config.storage)
        self._link_key = ""

    def start(self) -> None:
        """Start every part and tell systemd that the daemon is ready. Nothing that is missing raises.

        Raises AlreadyRunning, before anything is touched, when another daemon has the folder.
        """
        store = self._opening.first()
        self._disk.keep_ballast()
        notes = dict(store.notes()) if store is not None else {}
        self._link_key = notes.get(_LINK_KEY) or new_link_key()
        judge, floor, knows_settings = recall(store, self._folder)
        ran_before = floor if _DIGEST in notes else 0  # else there is what an import stored
        outage = found(self.config, self._boot, notes, ran_before, disorder=store is not None and store.disorder)
        self.timeline = Timeline(self.clock, floor, self._synchronised, self._boot, earlier_doubt(notes))
        planner = Planner(self.config, store.planner_state() if store is not None else None)
        self.losses = LossCounts(self.clock)
        ledger = Ledger(store, self.clock, self.config.storage.commit_minutes * 60, self._open_again, self.losses)
        self.writer = Writer(
            self.clock, judge, planner, ledger, self._context, self._on_messages, _IDLE_SECONDS, self.losses
        )
        self._ledger = ledger
        if store is not None:
            recall_journal(self.writer, self._folder, since=self.timeline.now() - _QUOTED_SECONDS)
        recall_calibrations(self.writer, self._folder)
        self.dispatcher = Dispatcher(
            self.config,
            lambda: History.open(self._folder),
            self.clock,
            report=self.writer.mailbox.put,
            trouble=self._report,
            situation=lambda: situation(self.config, self.writer, self._ledger, planner, self._last_entries),
            now=self.timeline.now,
            stepped=planner.stepped,
            losses=self.losses,
        )
        configured = {probe.name: probe.serial for probe in self.config.probe if probe.serial is not None}
        probes = {probe.name for probe in self.config.probe}
        recorded = {name: serial for name, serial in numbers(notes, SERIAL_NOTE).items() if name in probes}
        retired = [name for name in probes if notes.get(f"{SERIAL_NOTE}{name}") == RETIRED]
        self._identities = Identities(recorded, configured, retired, numbers(notes, SUPERSEDED))
        self._placements = {name: notes[f"{PLACEMENT}{name}"] for name in probes if f"{PLACEMENT}{name}" in notes}
        self.sampler = Sampler(
            self.config, self.clock, self.timeline, self._deliver, self._identify, self._identities.note
        )
        self.commands = CommandHandler(
            self.config, self.writer.submit, self.timeline.now, self._standing,
            lambda: self.writer.calibrations,
        )  # fmt: skip
        self.heartbeats = alive(self.config, self.clock, self.sampler, self.writer, self.dispatcher)
        self.work = working(self.config, self.clock, self.sampler, ledger, self.dispatcher)
        self.pulse = Pulse(self.clock.monotonic)
        self._repairing = Repairing(
            self.config.storage, self.writer.mailbox.put, lambda: self._ledger.store, ledger.distrust
        )
        self.copying = NightlyCopy(
            self._folder, self.config.storage.backup, self._repairing.nightly, self.timeline.now, self._repairing.rescue
        )
        self.learner = Learner(self._learn, self.timeline.now)
        self.outward = Outward(self.config, self.clock, self.timeline.now, self.timeline.trusted, self._works)
        self.calendar = self._calendar(notes)
        waking = Waking(self.config, self.clock, self.timeline, self._boot, outage, notes, self.writer.mailbox.put)
        sources = [*self._sources(), waking.look]
        self._watch = Watch(
            self.clock, self.heartbeats, sources, self.timeline.now, self._report, judge.troubles(),
            StuckAdapters(
                self.sampler.stuck, self.sampler.worked, numbers(notes, _TRIES),
                lambda adapter, tries: self._store_note(f"{_TRIES}{adapter}", str(tries)),
            ),
        )  # fmt: skip
        # A start is an item too: an outage is no silence of every probe, and a replay tells what was told live.
        if floor:
            self.timeline.stamped(lambda at: self.writer.mailbox.put(Submission(Rebase(at, 0))))
        if not knows_settings or notes.get(_DIGEST) != digest(self.config):
            who, why = reason(self.config, notes.get(_REASON, ""))
            self.writer.mailbox.put(Submission(judge_settings(self.config, self.timeline.now(), who, why)))
            self.writer.mailbox.put(Note(_DIGEST, digest(self.config)))
            self.writer.mailbox.put(Note(_REASON, f"{self.config.change.who}: {self.config.change.why}"))
        if _LINK_KEY not in notes:
            self.writer.mailbox.put(Note(_LINK_KEY, self._link_key))
        self._start_threads()
        give_back()
        systemd.notify("READY=1\nSTATUS=watching")
        log.info("watching %d probes in %d enclosures", len(self.config.probe), len(self.config.enclosure))

    def stop(self) -> None:
        """End every part: no more readings, what is known is stored, sockets are closed."""
        systemd.notify("STOPPING=1")
        self._stopping.set()
        # What begins work ends first, so that nothing new comes while the rest winds up.
        self.calendar.stop()
        self.learner.stop(2.0)
        self.outward.stop(2.0)
        self.copying.join(5.0)
        self._watch.stop()
        if self._control is not None:
            self._control.stop()
        if self.page is not None:
            self.page.stop()
        self.sampler.stop()
        self.dispatcher.wake.set()
        self._dispatching.join(10.0)
        self.writer.stop()  # last: what all the others still had to say lies in its mailbox

    def handle(self, request: dict[str, object]) -> Mapping[str, object]:
        """Carry out one request as the control socket would. Raises CommandRefused."""
        return self._handlers()[str(request["do"])](request)

    def _start_threads(self) -> None:
        self.writer.start()
        self._dispatching = threading.Thread(
            target=self.dispatcher.run, args=(self._stopping,), name="dispatcher", daemon=True
        )
        self._dispatching.start()
        self.sampler.start()
        self._control: ControlSocket | None = ControlSocket(self._folder, self._handlers(), self._answers)
        try:
            self._control.start()
        except OSError as error:
            self._control = None
            log.warning("no control socket: %s", error)
        self.page = open_page(
            self.config, self.handle, self.heartbeats, self._not_recorded, self.clock,
            self.timeline.trusted, self.losses, self.pulse, self.outward.neighbour,
        )  # fmt: skip
        self._watch.start()
        self.outward.start()
        self.calendar.run_due()

    def _open_again(self, damaged: str, misplaced: Store | None) -> Store | None:
        store, another = self._opening.again(damaged, misplaced)
        if store is not None:
            if another:  # it may not know what is in force
                self.writer.mailbox.put(Submission(judge_settings(self.config, self.timeline.now())))
            recall_calibrations(self.writer, self._folder)
            self._disk.keep_ballast()
        return store

    def _not_recorded(self) -> str:
        refused = self._ledger.refused
        if not refused:
            self._opening.why = ""
        return "; ".join(dict.fromkeys(text for text in (refused, self._opening.why) if text))

    def _keep_patience(self) -> None:
        if hasattr(self, "writer"):  # not at the start
            self.writer.heartbeat = self.clock.monotonic()

    def _context(self, recorded: bool) -> Context:
        trusted = self.timeline.trusted() and bool(self.config.enclosure)
        return Context(
            zone=self._zone,
            units=self.config.site.units,
            base_url=self.config.web.base_url,
            recorded=recorded,
            journal=self._last_entries,
            link_key=self._link_key,
            # The day's messages have an hour, which an unset clock does not know: they wait for the true one.
            morning=self._morning if trusted else None,
            round=self._round if trusted else None,
        )

    def _morning(self) -> tuple[str, Sequence[str]]:
        try:
            with StoredPast.open(self.config) as past:
                now = self.timeline.now()
                glance, journal = morning(past, self.config, now), past.journal(now - 86400)
        except Exception as error:  # a report must not keep the writer from its work
            log.exception("the morning message could not be made")
            return "Morning: the night cannot be read – see page", [f"The database does not answer: {error}"]
        return morning_words(glance, Wording.of(self.config.site), journal)

    def _round(self) -> tuple[str, Sequence[str]] | None:
        try:
            with StoredPast.open(self.config) as past:
                made = round_now(past, self.config, self.timeline.now())
        except Exception:  # a report must not keep the writer from its work
            log.exception("the message of the round could not be made")
            return "Round: what is due cannot be read – see page", ["The database does not answer."]
        return round_message(made) if made.due else None

    def _last_entries(self, enclosure: str | None) -> Sequence[JournalEntry]:
        return sorted(self.writer.entries.get(enclosure, ()), key=lambda entry: entry.time)

    def _on_messages(self, messages: Sequence[Message], stored: bool) -> None:
        if not stored:  # stored before told, but where the store refuses it is told all the same
            self.dispatcher.hand_over(messages)
        self.dispatcher.wake.set()

    def _deliver(self, cycle: Cycle) -> None:
        self.writer.mailbox.put(cycle)
        if cycle.rebase is not None:
            log.warning("the clock was stepped by %d s", cycle.rebase.step_seconds)
            # The scheduler waits by the wall clock. In a thread of its own: what is due may take long, and polls go on.
            threading.Thread(target=self.calendar.run_due, name="calendar-rearm", daemon=True).start()

    def _identify(self, probe: str, serial: int | None) -> None:
        if serial is not None and self._identities.observe(probe, serial).what == "new":
            self._store_note(f"{SERIAL_NOTE}{probe}", str(serial))

    def _store_note(self, name: str, value: str) -> None:
        self.writer.mailbox.put(Note(name, value))

    def _handlers(self) -> dict[str, Handler]:
        probes = [probe.name for probe in self.config.probe]
        tools = ProbeTools(
            probes, self._identities, self._store_note, self.writer.submit, self.timeline.now, self._placements,
            lambda: self.writer.calibrations,
        )  # fmt: skip
        desk = Desk(self.config, self.writer.submit, self.timeline.now)
        taught = Taught(
            [*(e.name for e in self.config.enclosure), *(room_place(p.room) for p in self.config.probe if p.room)],
            self.writer.submit,
            self._store_note,
            self.timeline.now,
        )
        handlers = {
            **self.commands.handlers(), **tools.handlers(), **desk.handlers(), **taught.handlers(), "repair": self._repairing.handle,
        }  # fmt: skip
        handlers["alive"] = self._signs_of_life
        handlers["page_reset"] = self._page_reset
        handlers[CONFIGURATION] = self._configuration
        return {verb: whole_text(handler) for verb, handler in handlers.items()}

    def _signs_of_life(self, _request: dict[str, object]) -> Mapping[str, object]:
        """Return the daemon's own sign of life: seconds since each part gave one, and which are dead."""
        return {"ages": self.heartbeats.ages(), "dead": self.heartbeats.dead()}

    def _configuration(self, _request: dict[str, object]) -> Mapping[str, object]:
        """Return the configuration it goes by, without the secrets that stand in it: the file may have been refused since."""
        return {"configuration": to_plain(without_secrets(self.config), only_given=True)}

    def _page_reset(self, _request: dict[str, object]) -> Mapping[str, object]:
        """Return a code that sets one password of the page, for who can reach the machine but forgot it."""
        if self.page is None:
            raise CommandRefused("the page is not running")
        return {"done": True, "code": self.page.reset_code()}

    def _standing(self) -> dict[str, str | None]:
        return {alarm.alarm: alarm.enclosure for alarm in self.writer.alarms}

    def _report(self, report: SystemReport) -> None:
        self.timeline.stamped(lambda at: self.writer.mailbox.put(Submission(replace(report, time=at))))

    def _sources(self) -> list[Callable[[int], Sequence[SystemReport]]]:
        def configuration(now: int) -> list[SystemReport]:
            text = f"the configuration file was refused, the last good one is in force: {self._refused}"
            return [
                SystemReport(
                    now, "configuration", bool(self._refused), text, response=f"mend the file; {TYPED}: `sudo dewkeeper config check` names every problem",
                    consequence="it still watches, tells and records, by the file as it was before the change",
                )
            ]  # fmt: skip

        def copy(now: int) -> list[SystemReport]:
            left = [problem for problem in self._recheck() if problem.key == COPY] if self._uncopied else []
            self._uncopied = bool(left)
            text = "; ".join(str(problem) for problem in left)
            return [SystemReport(now, "configuration copy", self._uncopied, text, priority="low")]

        def recording(now: int) -> list[SystemReport]:
            why = self._not_recorded()
            if "disk is full" in why and self._disk.give_up_ballast():
                log.warning("the disk is full: the ballast file was given up")
            return [
                SystemReport(
                    now, "recording", bool(why), f"nothing is recorded: {why}", priority="urgent",
                    response=f"leave the Pi running meanwhile: it still tells; is it full: remove only files that you put on the Pi yourself; if not: {NEW_CARD}",
                    consequence="it still watches and tells; what it reads from now on is lost at the next restart",
                )
            ]  # fmt: skip

        def telling(now: int) -> list[SystemReport]:
            stuck = "telling" in self.work.dead()
            text = (
                f"no message can be sent: no round succeeded for {duration(self.work.ages()['telling'])}; see the log"
            )
            return [
                SystemReport(
                    now, "telling", stuck, text, priority="urgent", response=f"look at the page instead; then at the log, {TYPED}: `journalctl -u dewkeeper`",
                    consequence="it still watches and records; nobody is told of anything",
                ),
                self.pulse.report(now),
            ]  # fmt: skip

        buses = BusReports(
            lambda: [fault for worker in self.sampler.workers for fault in worker.faults], self.sampler.stuck,
            lambda: {part: found for worker in self.sampler.workers for part, found in worker.troubles.items()},
        )  # fmt: skip
        return [
            configuration, copy, recording, self._opening.report, telling, self._repairing.reports, self.copying.reports, self.learner.reports,
            self.losses.reports, self._disk.reports, self.outward.reports, buses,
        ]  # fmt: skip

    def _calendar(self, notes: Mapping[str, str]) -> Calendar:
        tasks = duties(self.config, self._nightly, self.learner.start, self._beat, self.timeline.now, self._store_note)
        now = self.timeline.now()
        done = {name.removeprefix(_DONE): int(value) for name, value in notes.items() if name.startswith(_DONE)}
        for task in tasks:
            done.setdefault(task.name, now)  # on the very first start nothing is overdue
        return Calendar(
            tasks,
            self._make_alarm(),
            self.timeline.now,
            self.timeline.trusted,
            lambda name, at: self.writer.mailbox.put(Note(f"{_DONE}{name}", str(at))),
            done,
        )

    def _works(self) -> bool:
        return not self.heartbeats.dead() and not self.work.dead()

    def _beat(self) -> None:
        if self._works():
            self.pulse.felt(beat(self.config))

    def _nightly(self) -> None:
        def work() -> None:
            if self._ledger.store is not None:
                doubt = self.timeline.doubt
                # What may yet be dated anew must stay plain rows: only they can be moved.
                now = self.timeline.now() if doubt is None else min(self.timeline.now(), doubt.since)
                self._ledger.store.compact(now, self._stopping.is_set)
                give_back()

        self.writer.mailbox.put(Chore("nightly", work))
        self._disk.keep_ballast()
        self.copying.start()
