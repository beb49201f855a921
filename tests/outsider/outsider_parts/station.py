"""A station whose own program writes what it measures into a file, two words a line: `26000 39000`."""

from __future__ import annotations

from pathlib import Path

from dewkeeper_config.models import ProbeConfig
from dewkeeper_config.models.base import Field, Model
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import Sample, Scale
from dewkeeper_drivers.errors import DriverUnusable, ProbeError, ProbeGarbled, ProbeMissing

STATION = Scale("station", -40.0, 165.0, -10.0, 120.0)  # invented, as the station is


class StationOptions(Model):
    """What `options` of a probe's table may hold."""

    file: str = Field(default="", description="What the station writes.")


Options = StationOptions  # the name by which dewkeeper finds it


class StationProbe:
    """The station as its file shows it."""

    def __init__(self, name: str, file: Path) -> None:
        self._name = name
        self._file = file

    def read(self) -> Sample:
        """Return what stands in the file. Raises ProbeMissing, ProbeGarbled."""
        try:
            temperature, humidity = (int(word) for word in self._file.read_text(encoding="ascii").split())
            return Sample(_word(temperature), _word(humidity), STATION)
        except FileNotFoundError as error:
            raise ProbeMissing(f"probe {self._name}: there is no {self._file}", self._name) from error
        except ValueError as error:
            raise ProbeGarbled(f"probe {self._name}: not two words in {self._file}", self._name) from error
        except OSError as error:
            raise ProbeError(f"probe {self._name}: {self._file}: {error.strerror}", self._name) from error

    def serial(self) -> int | None:
        """Return None: a file has no serial number."""
        return None

    def close(self) -> None:
        """Nothing is kept open."""


def _word(number: int) -> int:
    if not 0 <= number <= 0xFFFF:
        raise ValueError(number)
    return number


def open_probe(config: ProbeConfig, bus: Bus | None) -> StationProbe:
    """Return the station's probe; it hangs on no bus. Raises DriverUnusable without the option `file`, ProbeError."""
    del bus
    file = config.options.get("file")
    if not isinstance(file, str):
        raise DriverUnusable(f"probe {config.name}: option file is {file!r}, not the path of the station's file")
    probe = StationProbe(config.name, Path(file))
    probe.read()
    return probe
