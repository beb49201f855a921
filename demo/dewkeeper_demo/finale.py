"""The end of the performance: the morning glance, and what to try next."""

from __future__ import annotations

from pathlib import Path

from dewkeeper.cli.glance import morning_lines
from dewkeeper.clock import Clock
from dewkeeper.report.morning import morning as morning_glance
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Config
from dewkeeper_demo.rack import DRY_TUB
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import Stage


def glance(config: Config, show: Show, clock: Clock) -> None:
    """Print the morning glance."""
    with StoredPast.open(config) as past:
        shown = morning_glance(past, config, int(clock.wall()))
    for line in morning_lines(shown, Wording.of(config.site)):
        show.lines(line)


def what_next(stage: Stage, show: Show) -> None:
    """Print what to try next."""
    where = f"--config {stage.config_path}"
    if stage.config_path.is_relative_to(Path.cwd()):
        where = f"--config {stage.config_path.relative_to(Path.cwd())}"
    show.lines(f"""
What to try next
  demo/run --live                       the page on this rack, a week of history behind it
  .venv/bin/dewkeeper alarms  {where}
  .venv/bin/dewkeeper history {DRY_TUB} --for 24h {where}
  .venv/bin/dewkeeper config sample     a configuration to begin your own with
  README.md                             wiring a first probe to a Raspberry Pi""")
