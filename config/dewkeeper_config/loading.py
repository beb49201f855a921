"""From a file to a configuration, or to every reason why not."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from dewkeeper_config.check_wiring import ADDRESSES
from dewkeeper_config.checks import cross_problems
from dewkeeper_config.errors import ConfigInvalid, ConfigUnreadable, Problem, SecretUnavailable
from dewkeeper_config.models import Channel, Config, MailChannel, Person, WebhookChannel
from dewkeeper_config.problems import from_pydantic
from dewkeeper_config.secrets import SecretSource

_LARGEST_BYTES = 1_000_000  # 1023 probes take some 200 kB; more is not a configuration
_DEEPEST = 20  # the schema needs five
_MOST_DOTS = 200  # in a line, outside of quotes
_QUOTED = re.compile(r"\"[^\"\n]*\"|'[^'\n]*'")


class ReplayConfig(Config):
    """The file as a replay needs it: nobody is told anything, so nobody has to be reachable."""

    channel: list[Channel] = Field([], description="Ways to reach people.")
    person: list[Person] = Field([], description="People who are told.")


def load(path: Path, model: type[Config] = Config) -> Config:
    """Return the configuration in a TOML file, held to `model`: `ReplayConfig` asks for nobody to tell.

    Raises ConfigUnreadable when the file cannot be read, ConfigInvalid with every problem when it is refused.
    """
    return parse(read(path), path, model)


def read(path: Path) -> bytes:
    """Return the bytes of a configuration file. Raises ConfigUnreadable."""
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a path with a NUL in it
        raise ConfigUnreadable(path, getattr(error, "strerror", None) or str(error)) from error
    if len(data) > _LARGEST_BYTES:
        raise ConfigUnreadable(path, f"larger than {_LARGEST_BYTES} bytes: not a configuration")
    return data


def parse(data: bytes, path: Path, model: type[Config] = Config) -> Config:
    """Return the configuration in the bytes of a TOML file; `path` is only named. Raises ConfigInvalid."""
    raw = _toml(data, path)
    config: Config | None = None
    problems: list[Problem] = []
    try:
        config = model.model_validate(raw)
    except ValidationError as error:
        problems = from_pydantic(raw, error.errors(include_url=False, include_input=False))
    seen = {problem.key for problem in problems}
    problems += [problem for problem in cross_problems(raw) if problem.key not in seen]
    # Raised outside the handler: pydantic's own error, chained, would carry the values and with them secrets.
    if config is None or problems:
        raise ConfigInvalid(path, problems)
    return config


def _toml(data: bytes, path: Path) -> Mapping[str, Any]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ConfigInvalid(
            path, [Problem(f"line {line}", "bytes that are not UTF-8", "text saved as UTF-8")]
        ) from None
    if not text.strip():
        raise ConfigInvalid(
            path, [Problem("the file", "nothing in it", "a TOML file; `dewkeeper config sample` prints one")]
        )
    nested = ConfigInvalid(path, [Problem("the file", "tables or brackets nested without end", f"{_DEEPEST} at most")])
    if any(line.count(".") > _MOST_DOTS for line in _QUOTED.sub("", text).splitlines()):
        raise nested  # the standard library's parser takes the square of a dotted key's length: hours
    try:
        raw = tomllib.loads(text)
    except RecursionError as error:
        raise nested from error
    except ValueError as error:  # TOMLDecodeError, and what int() says of a number with thousands of digits
        raise ConfigInvalid(path, [Problem("the file", f"not TOML: {error}", "TOML 1.0, each key once")]) from error
    if not _shallow(raw):
        raise nested
    return raw


def _shallow(raw: Mapping[str, Any]) -> bool:
    """Return whether nothing is nested deeper than any configuration can be: `a.a.a = 1` nests without a bracket."""
    level: list[Any] = [raw]
    for _ in range(_DEEPEST):
        inside = [value.values() if isinstance(value, dict) else value for value in level]
        level = [one for values in inside for one in values if isinstance(one, (dict, list))]
        if not level:
            return True
    return False


def problems_for_run(config: Config) -> list[Problem]:
    """Return what a valid configuration lacks to watch everything; empty when nothing.

    A replay needs none of this, so it refuses nothing: the daemon runs and says what it cannot read.
    """
    found: list[Problem] = []
    for number, probe in enumerate(config.probe, 1):
        if probe.driver in ADDRESSES:
            for name, value in (("bus", probe.bus), ("address", probe.address)):
                if value is None:
                    found.append(
                        Problem(f'probe[{number}] "{probe.name}" .{name}', "nothing", "where the sensor is wired")
                    )
    judged = {probe.enclosure for probe in config.probe if probe.role == "substrate"}
    for number, enclosure in enumerate(config.enclosure, 1):
        if enclosure.name not in judged:
            key = f'enclosure[{number}] "{enclosure.name}"'
            found.append(Problem(key, "no probe", "a probe of role substrate: without one it is not watched"))
    used = {name for person in config.person for name in person.channels}
    for number, channel in enumerate(config.channel, 1):
        if channel.name not in used:
            found.append(
                Problem(f'channel[{number}] "{channel.name}"', "used by nobody", "a person's channels name it")
            )
    return found


def missing_secrets(config: Config) -> list[Problem]:
    """Return the secrets that cannot be read now, by this user in this environment; each disables what needs it.

    Outside the service a systemd credential can be seen by root alone.
    """
    found: list[Problem] = []
    for key, source in _secrets(config):
        try:
            source.read()
        except SecretUnavailable:
            found.append(Problem(key, source.unavailable(), "a readable secret that is not empty"))
    return found


def _secrets(config: Config) -> list[tuple[str, SecretSource]]:
    named: list[tuple[str, SecretSource | None]] = [("notify.heartbeat_url", config.notify.heartbeat_url)]
    for number, channel in enumerate(config.channel, 1):
        key = f'channel[{number}] "{channel.name}" .'
        if isinstance(channel, MailChannel):
            named += [(f"{key}username", channel.username), (f"{key}password", channel.password)]
            continue
        named.append((f"{key}url", channel.url))
        if isinstance(channel, WebhookChannel):
            named += [(f"{key}secrets[{index}]", secret) for index, secret in enumerate(channel.secrets, 1)]
            named += [(f"{key}headers.{name}", secret) for name, secret in channel.headers.items()]
    return [(key, source) for key, source in named if source is not None]
