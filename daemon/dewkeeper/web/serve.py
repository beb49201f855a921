"""The page's entry: wires history, commands and templates to the server."""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from dewkeeper.clock import Clock
from dewkeeper.judge.words import FAULTS, JOURNAL, LATCHED
from dewkeeper.notify.links import NOTE_KEY
from dewkeeper.notify.neighbour import Answer
from dewkeeper.report.alarm_words import (
    called,
    headline,
    named,
    now_against,
    room_air,
    shelf_words,
    state_words,
    to_do,
    why_now,
)
from dewkeeper.report.glimpse import change_words, lowest_words, now_words, referred_words, thermal
from dewkeeper.report.morning_words import (
    NOT_IN_SERVICE,
    blind_parts,
    clock_words,
    off_line,
    off_step,
    row_step,
    row_words,
    said_above,
    unwatched_step,
)
from dewkeeper.report.order import QUIET_STATES
from dewkeeper.report.past import StoredPast
from dewkeeper.report.why import why_words
from dewkeeper.report.wording import (
    cause_words,
    first_steps,
    happened,
    measured_by,
    outside_words,
    rank_word,
    steps_apart,
)
from dewkeeper.report.year_days import hours_words
from dewkeeper.store import History
from dewkeeper.store.errors import StoreError
from dewkeeper.web.app import Application
from dewkeeper.web.auth_store import AuthStore
from dewkeeper.web.http_thread import HttpThread
from dewkeeper.web.limiter import Limiter
from dewkeeper.web.visit import DoneOnce, HealthLine, Services
from dewkeeper.web.why_picture import why_picture
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.collect.there import AllThere

log = logging.getLogger(__name__)

_TEMPLATES = Path(__file__).parent / "templates"


class PageServer:
    """The page. `address` is where it listens once started; `first_run_code` is what the daemon must print, or None.

    history_factory: opens the store for reading; may raise StoreError and is tried again at the next visit.
    submit: carries out one request, as the control socket does; raises CommandRefused.
    health: the lines of the health screen. hear: takes a neighbour's heartbeat; None where there is no neighbour.
    sites: those of a server, which the page then is over; None: it is the page of its own site.
    """

    def __init__(
        self,
        config: Config,
        history_factory: Callable[[], History],
        submit: Callable[[dict[str, Any]], Mapping[str, Any]],
        health: Callable[[], Sequence[HealthLine]],
        clock: Clock,
        hear: Callable[[Mapping[str, str], bytes], Answer] | None = None,
        sites: AllThere | None = None,
    ) -> None:
        self._config = config
        self._history_factory = history_factory
        self._history: History | None = None
        self._lock = threading.Lock()
        self._memory = AuthStore(config.storage.folder)
        services = Services(
            config=config,
            past=self._past,
            submit=submit,
            health=health,
            wall=clock.wall,
            memory=self._memory,
            done_once=DoneOnce(),
            templates=_templates(),
            # Guessing: five tries, then one a minute; from several addresses thirty more, then one every ten seconds, but
            # for each address' first.
            login_limit=Limiter(5, 60, clock.monotonic),
            login_limit_all=Limiter(30, 10, clock.monotonic),
            write_limit=Limiter(60, 1, clock.monotonic),
            link_key=self._link_key,
            hear=hear,
            sites=sites,
        )
        self._sites = sites
        self.application = Application(services)
        self._thread = HttpThread(self.application, config.web.host, config.web.port)

    @property
    def address(self) -> tuple[str, int]:
        """Where the page listens."""
        return self._thread.address

    @property
    def first_run_code(self) -> str | None:
        """The code that sets the keeper's login, None when there is a login."""
        return self._memory.first_run_code

    def reset_code(self) -> str:
        """Return a code that sets one password, good once."""
        return self._memory.reset_code()

    def start(self) -> None:
        """Listen and serve. Raises OSError when the address cannot be had."""
        self._thread.start()

    def stop(self) -> None:
        """Close every connection and end the threads."""
        self._thread.stop()
        with self._lock:
            if self._history is not None:
                self._history.close()
                self._history = None
        if self._sites is not None:
            self._sites.close()

    def _past(self) -> StoredPast:
        with self._lock:
            if self._history is None:
                self._history = self._history_factory()
            return StoredPast(self._history, self._config)

    def _link_key(self) -> str | None:
        try:
            return self._past().notes().get(NOTE_KEY)
        except StoreError:
            return None


def _plain(words: Callable[..., str]) -> Callable[..., str]:
    """Return it without the marks that commands have at a terminal."""
    return lambda *given, **named: words(*given, **named).replace("`", "")


_RANGE = re.compile(r"(?<=\d)–(?=\d)")


def _unbroken(text: str) -> str:
    """Return it with its ranges and units on one line each, where a narrow page would break them: "24–28 °C"."""
    return _RANGE.sub("–\u2060", text).replace(" °", "\u00a0°")


def _templates() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        # A name that is missing is an error that a test finds, and no empty place on the page.
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Templates change with the program only: looking at the disk for every page is for nothing.
        auto_reload=False,
    )
    environment.filters["urlencode_whole"] = lambda text: quote(text, safe="")
    environment.filters["unbroken"] = _unbroken
    environment.globals.update(
        # What most pages have no use for: without a value here StrictUndefined refuses the templates that ask.
        root="",
        acts=True,
        silent=False,
        over_all=False,
        wrong="",
        then="",
        kept="",
        kept_path="",
        written=None,
        name="",
        journal_words=JOURNAL,
        done=False,
        faults=FAULTS,
        rank_word=rank_word,
        latched=LATCHED,
        not_in_service=NOT_IN_SERVICE,
        state_words=state_words,
        called=called,
        named=named,
        why_now=_plain(why_now),
        now_against=now_against,
        room_air=room_air,
        blind_parts=blind_parts,
        cause_words=cause_words,
        clock_words=clock_words,
        off_line=off_line,
        off_step=off_step,
        unwatched_step=unwatched_step,
        headline=headline,
        hours_words=hours_words,
        happened=happened,
        first_steps=first_steps,
        steps_apart=steps_apart,
        measured_by=measured_by,
        outside_words=outside_words,
        quiet=QUIET_STATES,
        row_words=row_words,
        said_above=said_above,
        to_do=_plain(to_do),
        shelf_words=shelf_words,
        row_step=row_step,
        why_words=why_words,
        why_picture=why_picture,
        change_words=change_words,
        lowest_words=lowest_words,
        referred_words=referred_words,
        now_words=now_words,
        thermal=thermal,
    )
    return environment
