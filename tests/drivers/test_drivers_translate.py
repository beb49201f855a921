"""Whatever the stack throws comes out as one of our errors, with the cause chained."""

from __future__ import annotations

import builtins
import errno
from typing import Any

import pytest

from dewkeeper_drivers import errors
from dewkeeper_drivers.errors import (
    BusAbsent,
    BusError,
    BusStuck,
    DriverError,
    DriverUnusable,
    ProbeCrc,
    ProbeError,
    ProbeGarbled,
    ProbeMissing,
)
from dewkeeper_drivers.translate import open_error, translated

BUILT_IN = [
    kind
    for kind in vars(builtins).values()
    if isinstance(kind, type) and issubclass(kind, Exception) and not issubclass(kind, (OSError, ExceptionGroup))
]


def _make(kind: type[Exception]) -> Exception:
    if issubclass(kind, UnicodeDecodeError):
        return kind("utf-8", b"\xff", 0, 1, "reason")
    if issubclass(kind, UnicodeEncodeError):
        return kind("utf-8", "x", 0, 1, "reason")
    if issubclass(kind, UnicodeTranslateError):
        return kind("x", 0, 1, "reason")
    return kind("said")


def _translate(thrown: Exception) -> ProbeError:
    with pytest.raises(ProbeError) as caught, translated("b4", "reading b4"):
        raise thrown
    return caught.value


def test_every_errno_becomes_a_probe_error() -> None:
    """No error of the kernel, whichever its number, gets past as a bare OSError."""
    for code in errno.errorcode:
        ours = _translate(OSError(code, "said"))
        assert isinstance(ours.__cause__, OSError)
        assert ours.probe == "b4"
        assert errno.errorcode[code] in str(ours)


def test_every_built_in_exception_becomes_a_probe_error() -> None:
    """No built-in exception gets past: damaged data make libraries raise anything."""
    for kind in BUILT_IN:
        assert isinstance(_translate(_make(kind)).__cause__, kind)


@pytest.mark.parametrize(
    ("thrown", "ours"),
    [
        (OSError(errno.EREMOTEIO, ""), ProbeMissing),
        (OSError(errno.ENXIO, ""), ProbeMissing),
        (OSError(errno.ETIMEDOUT, ""), BusStuck),
        (OSError(errno.EIO, ""), BusError),
        (OSError(errno.EAGAIN, ""), BusError),
        (OSError(errno.ENODEV, ""), BusAbsent),
        (ValueError("No I2C device at address: 0x44"), ProbeMissing),
        (ValueError("other"), ProbeGarbled),
        (RuntimeError("CRC mismatch"), ProbeCrc),
        (RuntimeError("Invalid CRC calculated"), ProbeCrc),
        (RuntimeError("other"), ProbeGarbled),
        (TypeError("a bytes-like object is required, not 'NoneType'"), ProbeGarbled),
    ],
    ids=repr,
)
def test_known_errors_keep_their_meaning(thrown: Exception, ours: type[ProbeError]) -> None:
    """Silence, a held bus, a failed transfer and a damaged answer stay distinct."""
    assert type(_translate(thrown)) is ours


def test_our_own_errors_pass_unchanged() -> None:
    """An error that is ours already is not wrapped again."""
    kinds: list[Any] = [k for k in vars(errors).values() if isinstance(k, type) and k.__module__ == errors.__name__]
    for kind in kinds:
        ours = kind("x", ["y"]) if kind is errors.DriverUnknown else kind("said")
        with pytest.raises(DriverError) as caught, translated("b4", "reading b4"):
            raise ours
        assert caught.value is ours


def test_every_failure_to_open_is_an_absent_bus() -> None:
    """However opening a bus fails, it is an absent bus, tried again later, and no reason to end."""
    for code in errno.errorcode:
        assert isinstance(open_error(OSError(code, "said"), "i2c1"), BusAbsent)


def test_a_bus_one_may_not_open_says_so() -> None:
    """A missing permission names the group that gives it."""
    assert "group i2c" in str(open_error(PermissionError(errno.EACCES, "denied"), "i2c1"))


def test_unknown_and_broken_drivers_share_a_parent() -> None:
    """Code that can only give up on a driver needs to catch one error."""
    assert issubclass(errors.DriverUnknown, DriverUnusable)
    assert issubclass(errors.DriverBroken, DriverUnusable)
    assert not issubclass(DriverUnusable, ProbeError)
