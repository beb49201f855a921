"""The demonstration's night, whole: wires, daemon, SQLite, HTTP and SMTP, with the clock moved by hand.

Under `python -m tests.kernel.under` the daemon reads the same wires as /dev/i2c-1 onwards of the emulated kernel.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from tests.kernel.emulated import EmulatedKernel

from dewkeeper.clock import ManualClock
from dewkeeper.report.model import MorningGlance
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper_config.loading import load
from dewkeeper_config.models import Config
from dewkeeper_demo import night
from dewkeeper_demo.inbox import Arrival
from dewkeeper_demo.rack import DRY_TUB, HOT_TUB, PLACES, UNPLUGGED_TUB
from dewkeeper_demo.scenes import EVENING, local
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import MARK, Stage

ZONE = "Europe/Vienna"
DAY = date(2026, 11, 17)


@dataclass(frozen=True)
class Played:
    """What a night left behind."""

    arrivals: tuple[Arrival, ...]
    glance: MorningGlance
    shown: str


class KernelStage(Stage):
    """The same stage; its configuration names the kernel's devices."""

    def write_config(self, poll_seconds: int) -> Config:
        super().write_config(poll_seconds)
        text = self.config_path.read_text(encoding="utf-8")
        self.config_path.write_text(text.replace('kind = "wire"', 'kind = "linux"'), encoding="utf-8")
        return load(self.config_path)


@contextmanager
def _staged(folder: Path) -> Iterator[Stage]:
    if "EMULATED_I2C" not in os.environ:
        with Stage(folder, ZONE, DAY) as stage:
            yield stage
        return
    with EmulatedKernel(Path(os.environ["EMULATED_I2C"])) as kernel, KernelStage(folder, ZONE, DAY) as stage:
        for wire in stage.wires.values():
            kernel.add(wire)
        yield stage


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """One night, played once for all tests here."""
    shown = io.StringIO()
    with redirect_stdout(shown), _staged(tmp_path_factory.mktemp("night") / "state") as stage:
        clock = ManualClock(wall=local(DAY, EVENING, ZONE))
        config = night.play(stage, Show(ZONE), clock)
        with StoredPast.open(config) as past:
            glance = morning(past, config, int(clock.wall()))
    return Played(stage.inbox.arrivals, glance, shown.getvalue())


@pytest.mark.slow
def test_what_went_wrong_is_told_and_nothing_else(played: Played) -> None:
    """The dry, the unplugged and the overheating enclosure are told; the misted one and the calm ones are not."""
    told = {place.name for place in PLACES if any(a.title.startswith(f"{place.name}:") for a in played.arrivals)}
    assert told == {DRY_TUB, UNPLUGGED_TUB, HOT_TUB}
    assert not [a.title for a in played.arrivals if a.title.startswith("Not watched")]
    assert all(a.genuine for a in played.arrivals if a.device == "phone")


@pytest.mark.slow
def test_urgent_heat_passes_quiet_hours_and_reaches_the_neighbour(played: Played) -> None:
    """The stuck heater is told at night, and by mail to the second person when nobody has seen it."""
    hot = [
        a
        for a in played.arrivals
        if a.title.startswith(f"{HOT_TUB}:") and "too hot" in a.title and " since " in a.title
    ]
    assert [a.device for a in hot] == ["phone", "mail"]


@pytest.mark.slow
def test_the_morning_names_what_needs_a_look_worst_first(played: Played) -> None:
    """Unwatched and dry enclosures head the glance; the overheated one is listed, its alarm over; ten are calm."""
    assert [row.enclosure for row in played.glance.needs_look] == [UNPLUGGED_TUB, DRY_TUB, HOT_TUB]
    unplugged = played.glance.needs_look[0]
    assert unplugged.rank == "unwatched" or unplugged.unwatched.now
    assert len(played.glance.calm) == len(PLACES) - 3


@pytest.mark.slow
def test_messages_are_shown_beside_simulated_times(played: Played) -> None:
    """Every message is printed with the local time at which it arrived in the night."""
    assert "03:25  ┌── Runa's phone" in played.shown
    assert "Ode's mail" in played.shown


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    """The demonstration empties only folders it made itself."""
    (tmp_path / "precious").write_text("mine")
    with pytest.raises(FileExistsError), Stage(tmp_path, ZONE, DAY):
        pass
    assert (tmp_path / "precious").read_text() == "mine"
    assert not (tmp_path / MARK).exists()
