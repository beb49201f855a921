"""Whatever the stack below a probe can throw, in our words.

| thrown | by | becomes |
| --- | --- | --- |
| ENXIO, EREMOTEIO; ValueError "No I2C device" | kernel; bus device on construction | ProbeMissing |
| ETIMEDOUT | controller gave up: clock held low | BusStuck |
| EIO, EAGAIN, EBUSY, EPROTO and any other errno | controller | BusError |
| ENODEV, EBADF, ESHUTDOWN; anything when opening | kernel | BusAbsent |
| RuntimeError "CRC" | sensor libraries | ProbeCrc |
| any other exception | sensor libraries on damaged data | ProbeGarbled |
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from dewkeeper_drivers.errors import (
    BusAbsent,
    BusError,
    BusStuck,
    DriverError,
    ProbeCrc,
    ProbeError,
    ProbeGarbled,
    ProbeMissing,
)

NO_ANSWER = frozenset({errno.ENXIO, errno.EREMOTEIO})
"""What controllers report when nobody acknowledges; bcm2835 says EREMOTEIO."""

GAVE_UP = frozenset({errno.ETIMEDOUT, errno.ETIME})

GONE = frozenset({errno.EBADF, errno.ENODEV, errno.ESHUTDOWN})
"""The controller itself went away: close it, and open it anew next time."""


def bus_error(error: OSError, what: str) -> ProbeError:
    """Return our error for a failed transfer; `what` says what was tried, where."""
    name = errno.errorcode.get(error.errno or 0, str(error.errno))
    if error.errno in NO_ANSWER:
        return ProbeMissing(f"{what}: no answer ({name})")
    if error.errno in GONE:
        return BusAbsent(f"{what}: the controller went away ({name})")
    if error.errno in GAVE_UP:
        return BusStuck(f"{what}: the bus is held or the controller gave up ({name})")
    return BusError(f"{what}: the transfer failed ({name})")


def open_error(error: OSError, bus: str) -> ProbeError:
    """Return our error for a bus that could not be opened."""
    code = error.errno or 0
    if code in (errno.EACCES, errno.EPERM):
        return BusAbsent(f"bus {bus}: not allowed ({error}); is the user in group i2c?", code=code)
    if code == errno.ENOENT and error.filename:
        return BusAbsent(f"bus {bus}: there is no {error.filename}; is I2C switched on?", code=code)
    return BusAbsent(f"bus {bus}: {error}; is I2C switched on?", code=code)


@contextmanager
def translated(probe: str, what: str) -> Iterator[None]:
    """Let only DriverError out of the block, naming the probe, with the cause chained."""
    try:
        yield
    except ProbeError as error:
        error.probe = error.probe or probe
        raise
    except DriverError:
        raise
    except OSError as error:
        ours = bus_error(error, what)
        ours.probe = probe
        raise ours from error
    except ValueError as error:
        if "No I2C device" in str(error):
            raise ProbeMissing(f"{what}: no answer", probe) from error
        raise ProbeGarbled(f"{what}: {error}", probe) from error
    except RuntimeError as error:
        if "CRC" in str(error):
            raise ProbeCrc(f"{what}: the checksum does not match", probe) from error
        raise ProbeGarbled(f"{what}: {error}", probe) from error
    except Exception as error:
        raise ProbeGarbled(f"{what}: {type(error).__name__}: {error}", probe) from error
