"""The thread that sends on: a pass every few minutes, and what of it a person must know.

Whatever happens here happens in this thread: nobody waits for it, and it holds a day of one probe at most. The library that
speaks with PostgreSQL is imported by the first pass.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from importlib import metadata
from typing import Any, Final, Protocol

from dewkeeper.clock import Clock
from dewkeeper.collect.errors import LACKING, NO_PSYCOPG, CollectError, SentMeanwhile, ServerRefused, ServerUnreachable
from dewkeeper.errors import DewkeeperError
from dewkeeper.judge.types import SystemReport
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

PATIENCE_SECONDS: Final = 86400.0
"""So long may nobody answer before it is told: a provider's bad day is no news, and nothing is lost. Common practice, no source."""
_LOOK_SECONDS = 3600.0  # one day of all that was sent is compared so often, whether or not anybody noted a change


class _Ends(Protocol):
    def end(self) -> None: ...


class Sender:
    """config: with `[collect]`. done: called after every pass, with the trouble it met or "" (for tests and the curious).

    said: gives what the site says of itself in a few lines as of now, None for nothing; raises nothing.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        done: Callable[[str], None] = lambda _: None,
        said: Callable[[], Mapping[str, Any] | None] = lambda: None,
    ) -> None:
        self._config = config
        self._clock = clock
        self._said = said
        self._done = done
        self._stopping = threading.Event()
        self._link: _Ends | None = None
        self._trouble, self._refused = "", False
        self._well = clock.monotonic()
        self._looked = clock.monotonic()
        self._thread = threading.Thread(target=self._run, name="sender", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, seconds: float) -> None:
        """End; a batch under way is cut off and was not sent."""
        self._stopping.set()
        link = self._link  # the pass may end, and take it away, between a look and a call
        if link is not None:
            link.end()
        self._thread.join(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return how it stands: what was refused at once, silence when it has lasted."""
        trouble = self._trouble
        if not self._refused and self._clock.monotonic() - self._well < PATIENCE_SECONDS:
            trouble = ""
        text = f"nothing is sent on to the server: {trouble}. Everything is kept here, and sent when it is mended"
        return [SystemReport(now, "sending on", bool(trouble), text, priority="low")]

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._note(*self._try())
            self._done(self._trouble)
            collect = self._config.collect
            self._clock.wait(self._stopping, 60.0 * (collect.minutes if collect is not None else 5))

    def _try(self) -> tuple[str, bool]:
        """Do a pass; return what kept it from its end, and whether somebody must do something about it."""
        try:
            self._pass()
        except SentMeanwhile as error:
            return str(error), False
        except ServerUnreachable as error:
            return str(error), False
        except (CollectError, SecretUnavailable) as error:
            return str(error), True
        except ImportError as error:
            return NO_PSYCOPG if error.name in LACKING else str(error), True
        except (DewkeeperError, OSError) as error:  # the store's own trouble, told by others
            return str(error), False
        except Exception as error:  # this thread never ends
            log.exception("a pass of sending on failed")
            return f"{type(error).__name__}: see the log", True
        return "", False

    def _note(self, trouble: str, refused: bool) -> None:
        if not trouble:
            self._well = self._clock.monotonic()
        if trouble != self._trouble:
            # What `stop` cut off is no trouble.
            if self._stopping.is_set():
                return
            (log.warning if trouble else log.info)(
                "sending on: %s", trouble or "done, everything stored is on the server"
            )
        self._trouble, self._refused = trouble, refused

    def _pass(self) -> None:
        from dewkeeper.collect.comparing import Comparing
        from dewkeeper.collect.connection import ServerLink, parameters
        from dewkeeper.collect.place import enter, installation
        from dewkeeper.collect.sending import Pass, describe
        from dewkeeper.store.onward import Onward

        collect, folder = self._config.collect, self._config.storage.folder
        if collect is None:
            raise ServerRefused("there is no [collect] in the configuration")
        with Onward.open(folder) as onward, ServerLink(parameters(collect.address.read(), collect.ca_file)) as link:
            self._link = link
            try:
                place = enter(link, collect.site, installation(folder))
                sending = Pass(link, onward, place, self._stopping.is_set)
                # What is new goes first; what of the past differs can wait for the rest of the pass.
                sending.send()
                describe(link, place, self._config, _version(), onward.told_of(), self._said())
                comparing = Comparing(sending)
                if self._clock.monotonic() - self._looked >= _LOOK_SECONDS:
                    self._looked = self._clock.monotonic()
                    comparing.look_at_a_day()
                comparing.work_off()
            finally:
                self._link = None


def _version() -> str:
    try:
        return metadata.version("dewkeeper")
    except metadata.PackageNotFoundError:
        return ""
