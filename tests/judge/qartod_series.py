"""The four QARTOD tests over a whole series, flag for flag as the manuals mean them.

The judge works reading by reading and cannot look ahead, so `reading` applies these tests causally and with the spans of
a snake rack. Over a finished series they are these. Flags: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing.
Limits are strict: a value on a limit passes. Times are seconds, thresholds in the unit of the series.
"""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.judge.types import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT

Series = Sequence[float | None]
_WORST = {MISSING: 0, NOT_EVALUATED: 1, PASS: 2, SUSPECT: 3, FAIL: 4}


def gross_range(series: Series, fail: tuple[float, float], suspect: tuple[float, float]) -> list[int]:
    """Flag values outside the sensor's span (fail) or the user's (suspect)."""
    return [
        MISSING
        if x is None
        else FAIL
        if not fail[0] <= x <= fail[1]
        else SUSPECT
        if not suspect[0] <= x <= suspect[1]
        else PASS
        for x in series
    ]


def spike(series: Series, suspect: float, fail: float) -> list[int]:
    """Flag what differs from both neighbours in the same direction, by the smaller difference.

    The mean of the neighbours, which the manual writes, also condemns the good readings beside a spike and both sides
    of an honest step; the difference flags the spike alone. Ends and neighbours of a gap are not evaluated.
    """
    flags = []
    for n, x in enumerate(series):
        before = series[n - 1] if n else None
        after = series[n + 1] if n + 1 < len(series) else None
        if x is None:
            flags.append(MISSING)
        elif before is None or after is None:
            flags.append(NOT_EVALUATED)
        else:
            size = min(abs(x - before), abs(x - after)) if (x - before) * (x - after) > 0 else 0.0
            flags.append(FAIL if size > fail else SUSPECT if size > suspect else PASS)
    return flags


def rate_of_change(series: Series, times: Sequence[int], suspect: float, fail: float) -> list[int]:
    """Flag a first difference faster than a rate per second; which of the two is wrong is not known."""
    flags = []
    for n, x in enumerate(series):
        before = series[n - 1] if n else None
        if x is None:
            flags.append(MISSING)
        elif before is None or times[n] == times[n - 1]:
            flags.append(PASS)
        else:
            rate = abs(x - before) / (times[n] - times[n - 1])
            flags.append(FAIL if rate > fail else SUSPECT if rate > suspect else PASS)
    return flags


def flat_line(series: Series, interval: int, suspect: int, fail: int, tolerance: float) -> list[int]:
    """Flag a span of `suspect` or `fail` seconds whose range stays below a tolerance; flags are not back-dated.

    A tolerance of 0 never flags: give the resolution of the data. A missing value in a span is passed over.
    """
    flags = []
    for n, x in enumerate(series):
        flag = MISSING if x is None else PASS
        for seconds, worse in ((suspect, SUSPECT), (fail, FAIL)):
            first = n - seconds // interval
            values = [v for v in series[max(0, first) : n + 1] if v is not None]
            if x is not None and first >= 0 and max(values) - min(values) < tolerance:
                flag = worse
        flags.append(flag)
    return flags


def worst(*flags: Sequence[int]) -> list[int]:
    """Return the worst flag of each sample, in the order missing, not evaluated, pass, suspect, fail."""
    return [max(column, key=_WORST.__getitem__) for column in zip(*flags, strict=True)]
