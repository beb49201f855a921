"""The campaign's helpers are plain modules beside its tests; its results end as a table."""

from __future__ import annotations

from collections.abc import Callable

import pytest

HEADING = ("fault", "phase", "told s", "recovered s", "answered s", "invariants")


@pytest.fixture
def campaign_row(record_property: Callable[[str, object], None]) -> Callable[[tuple[str, ...]], None]:
    """Takes a row of the table; it travels in the test's report, for the campaign runs in several processes."""
    return lambda row: record_property("campaign", row)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what the campaign came to; seconds are real ones."""
    reports = [*terminalreporter.stats.get("passed", ()), *terminalreporter.stats.get("failed", ())]
    rows = [value for report in reports for name, value in report.user_properties if name == "campaign"]
    if not rows:
        return
    terminalreporter.section("fault campaign")
    lines = [HEADING, *sorted(rows, key=lambda row: row[0])]
    widths = [max(len(line[i]) for line in lines) for i in range(len(HEADING))]
    for line in lines:
        terminalreporter.write_line("  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip())
