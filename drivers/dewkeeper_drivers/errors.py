"""What can go wrong between daemon and probe.

DriverError
├── DriverUnusable: no reading will ever come as configured
│   ├── DriverUnknown (LookupError): no driver or bus kind of that name
│   └── DriverBroken (ImportError): it is there and cannot be loaded
└── ProbeError (OSError): this try failed, the next may not
    ├── ProbeMissing: nobody answers at the address
    ├── ProbeCrc: the answer came damaged
    ├── ProbeReset: the sensor restarted on its own (brown-out) and this reading is not to be used
    ├── ProbeGarbled: the answer cannot be one of this sensor
    └── BusError: the wire, not the probe
        ├── BusAbsent: there is no such bus
        ├── BusStuck: held low, or the controller gave up
        ├── BusBusy (TimeoutError): another user holds it past the deadline
        └── BranchLost: the multiplexer did not answer or did not select
"""

from __future__ import annotations


class DriverError(Exception):
    """Root of everything this package raises."""


class DriverUnusable(DriverError):
    """No reading will ever come as configured."""


class DriverUnknown(DriverUnusable, LookupError):
    """No driver or bus kind of that name. `known` lists those there are."""

    def __init__(self, name: str, known: list[str]) -> None:
        self.name = name
        self.known = known
        super().__init__(f"no driver {name!r}; there are {', '.join(sorted(known))}")


class DriverBroken(DriverUnusable, ImportError):
    """The driver is there and cannot be loaded; the cause is chained."""


class ProbeError(DriverError, OSError):
    """This try failed; the next may not. `probe` is the configured name, where known."""

    def __init__(self, message: str, probe: str = "") -> None:
        self.probe = probe
        super().__init__(message)


class ProbeMissing(ProbeError):
    """Nobody answers at the address."""


class ProbeCrc(ProbeError):
    """The answer came damaged."""


class ProbeReset(ProbeError):
    """The sensor restarted on its own and this reading is not to be used."""


class ProbeGarbled(ProbeError):
    """The answer cannot be one of this sensor."""


class BusError(ProbeError):
    """The wire, not the probe."""


class BusAbsent(BusError):
    """There is no such bus on this machine, or it may not be opened. `code` is Linux's errno, 0 where unknown."""

    def __init__(self, message: str, code: int = 0) -> None:
        self.code = code
        super().__init__(message)


class BusStuck(BusError):
    """A line is held low, or the controller gave up."""


class BusBusy(BusError, TimeoutError):
    """Another user holds the bus past the deadline; the message names it where known."""


class BranchLost(BusError):
    """The multiplexer did not answer or did not select. `culprit`: address of the one at fault, if it is another."""

    def __init__(self, message: str, culprit: int | None = None) -> None:
        self.culprit = culprit
        super().__init__(message)
