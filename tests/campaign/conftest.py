"""The campaign's helpers are plain modules beside its tests; its results end as a table."""

from __future__ import annotations

import pytest

TABLE = pytest.StashKey[list[tuple[str, ...]]]()
HEADING = ("fault", "phase", "told s", "recovered s", "answered s", "invariants")


@pytest.fixture(scope="session")
def campaign_table(pytestconfig: pytest.Config) -> list[tuple[str, ...]]:
    """Rows of the table printed at the end."""
    return pytestconfig.stash.setdefault(TABLE, [])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print what the campaign came to; seconds are real ones."""
    rows = config.stash.get(TABLE, [])
    if not rows:
        return
    terminalreporter.section("fault campaign")
    lines = [HEADING, *rows]
    widths = [max(len(line[i]) for line in lines) for i in range(len(HEADING))]
    for line in lines:
        terminalreporter.write_line("  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip())
