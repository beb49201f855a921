"""One thread for one physical adapter: opens its buses and probes, reads them in order, and never gives up."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge.types import Failure, Reading, own_part
from dewkeeper.sampling.bus_reports import part_name
from dewkeeper_config.models import BusConfig, ProbeConfig
from dewkeeper_drivers.branches import BranchFault
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.contract import Probe, Sample, spelled
from dewkeeper_drivers.diagnosis import Diagnosis, diagnose
from dewkeeper_drivers.errors import (
    BusAbsent,
    BusBusy,
    BusError,
    BusStuck,
    DriverError,
    DriverUnusable,
    ProbeCrc,
    ProbeError,
    ProbeGarbled,
    ProbeReset,
)
from dewkeeper_drivers.registry import open_probe
from dewkeeper_drivers.siblings import Siblings

log = logging.getLogger(__name__)

LOOK_POLLS = 5
"""After so many polls a probe that was never read is looked into again: the keeper may have mended one thing of two."""

_REOPEN_LIMIT = 32  # polls: half an hour at one a minute. What cannot be used is tried at least so often, for ever


class AdapterWorker:
    """Reads every probe of one adapter when told to. Only its own thread touches the buses.

    identify: called with (probe name, serial number) whenever a probe was opened. faults: branches of its buses
    that were given up in the last cycle. troubles: part of the wiring -> why probes of it that were never read cannot
    be, as of the last cycle. worked: whether it has come back from its buses at least once.
    """

    def __init__(
        self,
        name: str,
        buses: Sequence[BusConfig],
        probes: Sequence[ProbeConfig],
        clock: Clock,
        identify: Callable[[str, int | None], None],
    ) -> None:
        self.name = name
        self.probes = tuple(probes)
        self._bus_configs = {bus.name: bus for bus in buses}
        self._clock = clock
        self._identify = identify
        self._siblings = Siblings(name)
        self._buses: dict[str, Bus] = {}
        self._open: dict[str, Probe] = {}
        self._skip: dict[str, tuple[int, int]] = {}  # probe -> polls to skip now, polls skipped last time
        self._go = threading.Event()
        self._stop = False
        self._job: Callable[[], None] | None = None
        self.busy = False
        self.busy_since = 0.0
        self.worked = False
        self.faults: tuple[BranchFault, ...] = ()
        self.troubles: dict[str, Diagnosis] = {}
        self._never_read = {probe.name: 0 for probe in self.probes}  # -> failed polls so far
        self._found: dict[str, tuple[str, Diagnosis]] = {}
        # daemon: one that hangs in a call on its bus must not keep the process from ending.
        self.thread = threading.Thread(target=self._run, name=f"sampler-{name}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self.thread.start()

    def stop(self) -> None:
        """Ask the thread to close everything and end."""
        self._stop = True
        self._go.set()

    def submit(self, job: Callable[[], None]) -> bool:
        """Run a job in the worker's thread, between readings; False when it is still busy with the one before."""
        if self.busy:  # no lock: the sampler alone sets it, its own thread clears it, last of all
            return False
        self._job = job
        self.busy = True
        self.busy_since = self._clock.monotonic()
        self._go.set()
        return True

    def read_all(self, at: int, keep: Callable[[Reading], None]) -> None:
        """Read every probe once, in order, handing each reading over as soon as it is there."""
        self._siblings.begin_cycle()
        for bus in self._buses.values():
            bus.begin_cycle()
        for probe in self.probes:
            keep(self._read(probe, at))
        for bus in self._buses.values():
            bus.end_cycle()
        # Held wires are one fault: each bus's own would name it once more.
        self.faults = self._siblings.faults() or tuple(fault for bus in self._buses.values() for fault in bus.faults())
        self.troubles = dict(self._found.values())

    def _run(self) -> None:
        while not self._stop:
            self._clock.wait(self._go, None)
            self._go.clear()
            job, self._job = self._job, None
            if job is not None:
                try:
                    job()
                except Exception:
                    log.exception("worker %s: a job failed", self.name)
                finally:
                    # Also after a job that failed: it came back, and only what never does is stuck.
                    self.worked = True
                    self.busy = False
        for name in list(self._open):
            self._close(name)
        for bus in self._buses.values():
            bus.close()

    def _read(self, config: ProbeConfig, at: int) -> Reading:
        skip, last = self._skip.get(config.name, (0, 0))
        if skip > 0:
            self._skip[config.name] = (skip - 1, last)
            return _failed(config.name, at, "missing")
        try:
            reading = _reading(config.name, at, self._attempt(config))
        except DriverError as error:
            failure = _failure(error)
            if isinstance(error, DriverUnusable):
                log.error("probe %s: %s", config.name, error)  # noqa: TRY400  the sentence is the message; no stack needed
                # Others are cheap to ask again next minute; only this opening is worth backing off.
                self._back_off(config.name, last)
            self._look_into(config, error)
            return _failed(config.name, at, failure)
        except Exception:  # a driver that breaks its contract costs its own probe only
            log.exception("probe %s: its driver failed", config.name)
            self._close(config.name)
            self._back_off(config.name, last)
            return _failed(config.name, at, "missing")
        self._skip.pop(config.name, None)
        self._never_read.pop(config.name, None)
        self._found.pop(config.name, None)
        return reading

    def _look_into(self, config: ProbeConfig, error: DriverError) -> None:
        """Find out why a probe cannot be read: of one never read, and of any whose bus is not there."""
        polls = self._never_read.get(config.name)
        if polls is not None:
            self._never_read[config.name] = polls + 1
        if isinstance(error, BusAbsent) or (polls is not None and polls % LOOK_POLLS == 0):
            bus = self._buses.get(config.bus or "")
            found = diagnose(
                config, bus, error, [p.address for p in self.probes if p.address is not None and _beside(p, config)]
            )
            if found.scope == "wire":  # named once for all that hangs there, when the bus has given it up
                self._found.pop(config.name, None)
            else:
                self._found[config.name] = (_part(config, found), found)

    def _attempt(self, config: ProbeConfig) -> Sample:
        """Read once, and once more when the first try failed: a single knock on a long wire is no fault.

        What failed slowly, and will again, is not tried twice.
        """
        try:
            return self._sample(config)
        except ProbeReset:  # a second try would succeed, and nobody would hear of the weak supply
            raise
        except (BusStuck, BusBusy, BusAbsent):
            self._close(config.name)
            raise
        except BusError:
            pass  # the wire or a multiplexer; the probe may be as it was
        except ProbeError:
            self._close(config.name)
        try:
            return self._sample(config)
        except BusError:
            self._close(config.name)
            raise

    def _sample(self, config: ProbeConfig) -> Sample:
        sample = self._known(config)
        if "reset_seen" in sample.notes:
            # Perhaps pulled, and another one plugged in: this sample is believed only when it is known whose it is.
            self._close(config.name)
            self._known(config)
        return sample

    def _known(self, config: ProbeConfig) -> Sample:
        """Read a probe; one opened for it is asked whose sensor it is after it was read, when both can be compared."""
        probe = self._open.get(config.name)
        if probe is not None:
            return probe.read()
        # A bus is opened by the first of its probes, so one that is not there costs no other bus anything.
        bus = self._bus(config.bus) if config.bus is not None else None
        probe = self._open[config.name] = open_probe(config, bus)
        try:
            sample = probe.read()
            self._identify(config.name, probe.serial())
        except DriverError:
            self._close(config.name)  # so that it is asked again
            raise
        return sample

    def _bus(self, name: str) -> Bus:
        if name not in self._buses:
            self._buses[name] = open_bus(self._bus_configs[name], self._siblings)
        return self._buses[name]

    def _close(self, name: str) -> None:
        probe = self._open.pop(name, None)
        if probe is not None:
            try:
                probe.close()
            except DriverError as error:
                log.debug("closing %s: %s", name, error)
            except Exception:
                log.exception("closing %s: its driver failed", name)

    def _back_off(self, name: str, last: int) -> None:
        polls = min(_REOPEN_LIMIT, max(1, last * 2))
        self._skip[name] = (polls, polls)


def _failure(error: DriverError) -> Failure:
    if isinstance(error, (ProbeCrc, ProbeGarbled)):
        return "crc"
    if isinstance(error, ProbeReset):
        return "brownout"
    return "bus" if isinstance(error, BusError) else "missing"


def _beside(one: ProbeConfig, other: ProbeConfig) -> bool:
    """Return whether two probes hang on the same branch."""
    same = (one.bus, one.multiplexer, one.channel) == (other.bus, other.multiplexer, other.channel)
    return same and one.name != other.name


def _part(config: ProbeConfig, found: Diagnosis) -> str:
    """Return the part of the wiring a diagnosis is about."""
    if found.scope == "probe":
        return own_part(config.name)
    return part_name(config.bus, config.multiplexer if found.scope == "multiplexer" else None, None)


def _failed(probe: str, at: int, failure: Failure) -> Reading:
    return Reading(time=at, probe=probe, temperature_c=None, humidity_percent=None, failure=failure)


def _reading(probe: str, at: int, sample: Sample) -> Reading:
    """Return a sample as a reading. Raises ValueError when the driver breaks its contract."""
    # Not isinstance: True would pass, and a driver that answers with it has read nothing.
    if not all(type(word) is int and 0 <= word <= 65535 for word in (sample.temperature_word, sample.humidity_word)):
        raise ValueError(f"{sample} has words that are not of 16 bits")
    scale = spelled(sample.scale)
    temperature_c, humidity_percent = sample.scale.decode(sample.temperature_word, sample.humidity_word)
    return Reading(
        time=at,
        probe=probe,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        temperature_word=sample.temperature_word,
        humidity_word=sample.humidity_word,
        notes=sample.notes,
        scale=scale,
    )
