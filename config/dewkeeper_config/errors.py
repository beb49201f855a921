"""What can be wrong with a configuration.

ConfigError
├── ConfigInvalid (ValueError): the file was read and refused, with every problem
├── ConfigUnreadable (OSError): the file could not be read
└── SecretUnavailable (LookupError): a named secret is not there
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


class ConfigError(Exception):
    """Root of everything this package raises."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One refused value: where, what was given and what is allowed.

    line: of the file, counted from 1, where the value stands or should; None for what no line says.
    """

    key: str
    given: str
    allowed: str
    line: int | None = None

    def __str__(self) -> str:
        where = "" if self.line is None else f"line {self.line}: "
        return f"{where}{self.key}: given {self.given}; allowed: {self.allowed}"


class ConfigInvalid(ConfigError, ValueError):
    """The file is refused whole. `problems` holds every one of them."""

    def __init__(self, file: Path, problems: Sequence[Problem]) -> None:
        self.file = file
        self.problems = tuple(problems)
        super().__init__("\n".join([f"{file}: {len(self.problems)} problem(s)", *map(str, self.problems)]))


class ConfigUnreadable(ConfigError, OSError):
    """The file could not be read at all."""

    def __init__(self, file: Path, why: str) -> None:
        self.file = file
        super().__init__(f"{file}: {why}")


class SecretUnavailable(ConfigError, LookupError):
    """A secret is not where the configuration says. The message names the place, never the content."""

    def __init__(self, source: str) -> None:
        self.source = source
        super().__init__(f"secret not available: {source}")
