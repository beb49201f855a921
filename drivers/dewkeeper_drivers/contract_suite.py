"""Holding any driver to the probe contract; needs no test framework.

    from dewkeeper_drivers.contract_suite import check_probe
    check_probe(lambda: open_probe(my_config, my_bus))

Raises `ContractBroken` with a sentence for a person; returns None when all is well.
"""

from __future__ import annotations

from collections.abc import Callable

from dewkeeper_drivers.contract import Probe, Sample, Scale, scale_of, spelled
from dewkeeper_drivers.errors import DriverError, ProbeError

KNOWN_NOTES = frozenset({"heater_on", "reset_seen", "crc_burst"})


class ContractBroken(AssertionError):
    """A driver does not do what the contract says."""


def _demand(kept: bool, sentence: str) -> None:
    if not kept:
        raise ContractBroken(sentence)


def check_sample(sample: object) -> None:
    """Check one sample: whole words, a scale that can be stored, values of air, known notes."""
    _demand(isinstance(sample, Sample), f"read() returned {type(sample).__name__}, not Sample")
    assert isinstance(sample, Sample)  # noqa: S101  for the type checker; demanded above
    for name in ("temperature_word", "humidity_word"):
        word: object = getattr(sample, name)
        _demand(type(word) is int and 0 <= word <= 0xFFFF, f"{name} is {word!r}, not an integer of 16 bits")
    _check_scale(sample.scale)
    _demand(-45.0 <= sample.temperature_c <= 130.0, f"{sample.temperature_c} °C is no temperature of air")
    _demand(0.0 <= sample.humidity_percent <= 100.0, f"humidity {sample.humidity_percent} % is not 0 to 100")
    _demand(isinstance(sample.notes, tuple), "notes is not a tuple")
    unknown = set(sample.notes) - KNOWN_NOTES
    _demand(not unknown, f"unknown notes: {', '.join(sorted(unknown))}")


def _check_scale(scale: object) -> None:
    """Check that words stored with this scale can be read for good, by a program that does not have the driver."""
    _demand(isinstance(scale, Scale), f"scale is {type(scale).__name__}, not Scale")
    assert isinstance(scale, Scale)  # noqa: S101  for the type checker; demanded above
    try:
        read_back = scale_of(spelled(scale))
    except (TypeError, ValueError) as error:
        raise ContractBroken(f"the scale cannot be stored: {error}") from error
    _demand(read_back == scale, f"the scale is read back as {read_back}, not as {scale}")


def check_probe(
    open_probe: Callable[[], Probe],
    *,
    unplug: Callable[[], object] | None = None,
    replug: Callable[[], object] | None = None,
    damage: Callable[[], object] | None = None,
    mend: Callable[[], object] | None = None,
    conversions: Callable[[], int] | None = None,
) -> None:
    """Check a driver against the contract. Raises ContractBroken.

    open_probe: opens the probe, which must be there and well. unplug, replug: take it off and put it back; with them
    it is also checked that absence is a ProbeError and no more. damage, mend: let each answer come with a bit turned
    over, and whole again; with them, that a damaged answer is a ProbeError and no sample. conversions: how many the
    sensor has made so far; with it, that a reading is exactly one.
    """
    probe = open_probe()
    try:
        _check_opened(probe, conversions)
        if unplug is not None and replug is not None:
            _check_absence(open_probe, probe, unplug, replug)
        if damage is not None and mend is not None:
            _check_damage(open_probe, damage, mend)
    finally:
        probe.close()
    probe.close()  # twice must be safe
    _check_fresh(open_probe)


def _check_fresh(open_probe: Callable[[], Probe]) -> None:
    probe = open_probe()
    try:
        check_sample(probe.read())
    finally:
        probe.close()


def _check_opened(probe: Probe, conversions: Callable[[], int] | None) -> None:
    for _ in range(3):
        before = conversions() if conversions is not None else 0
        check_sample(probe.read())
        if conversions is not None:
            made = conversions() - before
            _demand(made == 1, f"one reading made {made} conversions: its values are not from one instant")
    serial = probe.serial()
    number: object = serial
    _demand(number is None or (type(number) is int and number >= 0), f"serial {serial!r} is neither a number nor None")
    _demand(probe.serial() == serial, "the serial number changes from one call to the next")
    check_sample(probe.read())


def _check_absence(
    open_probe: Callable[[], Probe], probe: Probe, unplug: Callable[[], object], replug: Callable[[], object]
) -> None:
    unplug()
    try:
        _must_raise_probe_error(probe.read, "read() of an unplugged probe")
        _must_raise_probe_error(open_probe, "opening an unplugged probe")
    finally:
        replug()
    _check_fresh(open_probe)


def _check_damage(open_probe: Callable[[], Probe], damage: Callable[[], object], mend: Callable[[], object]) -> None:
    probe = open_probe()
    try:
        damage()
        _must_raise_probe_error(probe.read, "read() of a damaged answer")
    finally:
        mend()
        probe.close()
    _check_fresh(open_probe)


def _must_raise_probe_error(call: Callable[[], object], what: str) -> None:
    try:
        result = call()
    except ProbeError:
        return
    except DriverError as error:
        raise ContractBroken(f"{what} raised {type(error).__name__}: that says no reading will ever come") from error
    except Exception as error:
        raise ContractBroken(f"{what} raised {type(error).__name__}, not a ProbeError: {error}") from error
    if isinstance(result, Sample):
        raise ContractBroken(f"{what} returned a sample")
    raise ContractBroken(f"{what} did not raise")
