"""From a file to a configuration, or to every reason why not."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from dewkeeper_config.checks import cross_problems
from dewkeeper_config.door import checked
from dewkeeper_config.errors import ConfigInvalid, ConfigUnreadable, Problem
from dewkeeper_config.expansion import expand
from dewkeeper_config.models import Channel, Config, Enclosure, Person, ProbeConfig, Rack
from dewkeeper_config.models.base import Field
from dewkeeper_config.models.channel_kinds import ABSENT_ALLOWED
from dewkeeper_config.positions import KeyPath, lines_of
from dewkeeper_config.tree import Tree

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    from dewkeeper_config.recovery import Recovered

_LARGEST_BYTES = 1_000_000  # 1023 probes take some 200 kB; more is not a configuration
_DEEPEST = 20  # the schema needs five
_MOST_DOTS = 200  # in a line, outside of quotes
_QUOTED = re.compile(r"\"[^\"\n]*\"|'[^'\n]*'")


class ReplayConfig(Config):
    """The file as a replay needs it: nobody is told anything, so nobody has to be reachable."""

    channel: list[Channel] = Field(default=[], description="Ways to reach people.")
    person: list[Person] = Field(default=[], description="People who are told.")


class RacklessConfig(Config):
    """The file of a machine that looks after other sites and has no probe of its own."""

    rack: list[Rack] = Field(default=[], description="Racks.")
    enclosure: list[Enclosure] = Field(default=[], description="Enclosures.")
    probe: list[ProbeConfig] = Field(default=[], description="Probes.")


def load(path: Path, model: type[Config] = Config, *, absent: bool = False) -> Config:
    """Return the configuration in a TOML file, held to `model`: `ReplayConfig` asks for nobody to tell.

    absent: a channel of a kind that nobody here knows becomes an `AbsentChannel`; for a file that was good once.
    Raises ConfigUnreadable when the file cannot be read, ConfigInvalid with every problem when it is refused.
    """
    return parse(read(path), path, model, absent=absent)


def read(path: Path) -> bytes:
    """Return the bytes of a configuration file. Raises ConfigUnreadable."""
    try:
        with path.open("rb") as file:
            # One more tells a file that is too large; the whole of it, /dev/zero say, would fill the memory.
            data = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a path with a NUL in it
        raise ConfigUnreadable(path, getattr(error, "strerror", None) or str(error)) from error
    if len(data) > _LARGEST_BYTES:
        raise ConfigUnreadable(path, f"larger than {_LARGEST_BYTES} bytes: not a configuration")
    return data


def parse(data: bytes, path: Path, model: type[Config] = Config, *, absent: bool = False) -> Config:
    """Return the configuration in the bytes of a TOML file, as `load` does; `path` is only named. Raises ConfigInvalid."""
    text = _text(data, path)
    try:
        raw = _toml(text, path)
    except tomllib.TOMLDecodeError as error:
        from dewkeeper_config.recovery import recover  # what words a refusal needs is loaded when something is refused

        broken = recover(text, str(error))
    else:
        config, problems = _understood(raw, lines_of(text), model, absent=absent)
        # Raised outside the handler: pydantic's own error, chained, would carry the values and with them secrets.
        if config is None or problems:
            raise ConfigInvalid(path, problems)
        return config
    raise ConfigInvalid(path, [*broken.problems, *_beside(broken, path, model)])


def _beside(broken: Recovered, path: Path, model: type[Config]) -> list[Problem]:
    """Return what is wrong in the tables that can be read, beside those that cannot."""
    if broken.text is None:
        return []
    raw = _toml(broken.text, path)
    _, problems = _understood(raw, lines_of(broken.text), model, cross=broken.named)
    # Of a table that could not be read only its heading and name are left: what it seems to lack may stand in it.
    return [problem for problem in problems if problem.line is not None and problem.line not in broken.lost]


def _understood(
    raw: Mapping[str, Any],
    lines: Mapping[KeyPath, int],
    model: type[Config],
    *,
    cross: bool = True,
    absent: bool = False,
) -> tuple[Config | None, list[Problem]]:
    """Return what a parsed file says, None when it is refused, and every problem once, each with its line."""
    if model is Config and "collector" in raw and not {"rack", "enclosure", "probe"} & raw.keys():
        model = RacklessConfig
    written_out = expand(raw, lines)
    problems = [*_in_words(Tree(raw), written_out.refused), *written_out.problems]
    config: Config | None = None
    found: list[Problem] = []
    try:
        config = checked(model, written_out.tree.raw, {ABSENT_ALLOWED: absent})
    except ValidationError as error:
        # Without the input, which may be a secret.
        found = _in_words(written_out.tree, error.errors(include_url=False, include_input=False))
    problems += _news(found, problems)
    if cross:
        problems += _news(cross_problems(written_out.tree, written_out.names_known), problems)
    located = [written_out.tree.located(problem) for problem in problems]
    # In the order of the file, which is how whoever mends it goes through it.
    return config, sorted(located, key=lambda problem: problem.line or 0)


def _in_words(tree: Tree, errors: Sequence[ErrorDetails]) -> list[Problem]:
    if not errors:
        return []
    from dewkeeper_config.problems import from_pydantic  # and with it the schema of the whole file

    return from_pydantic(tree, errors)


def _news(found: Sequence[Problem], known: Sequence[Problem]) -> list[Problem]:
    told = {problem.key for problem in known}
    return [problem for problem in found if problem.key not in told]


def located(problems: Sequence[Problem], data: bytes, path: Path) -> list[Problem]:
    """Return problems of a configuration that was accepted with their lines in its file. Raises ConfigInvalid."""
    text = _text(data, path)
    tree = expand(_toml(text, path), lines_of(text)).tree
    return [tree.located(problem) for problem in problems]


def _text(data: bytes, path: Path) -> str:
    try:
        # Some editors put a byte order mark before the text, which TOML does not know.
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        wrong = Problem("the file", "bytes that are not UTF-8", "text saved as UTF-8", line)
        raise ConfigInvalid(path, [wrong]) from None
    if not text.strip():
        raise ConfigInvalid(
            path, [Problem("the file", "nothing in it", "a TOML file; `dewkeeper config sample` prints one")]
        )
    return text


def _toml(text: str, path: Path) -> Mapping[str, Any]:
    """Return what a text says. Raises TOMLDecodeError, and ConfigInvalid for what no configuration can be."""
    nested = ConfigInvalid(path, [Problem("the file", "tables or brackets nested without end", f"{_DEEPEST} at most")])
    if any(line.count(".") > _MOST_DOTS for line in _QUOTED.sub("", text).splitlines()):
        raise nested  # the standard library's parser takes the square of a dotted key's length: hours
    try:
        raw = tomllib.loads(text)
    except RecursionError as error:
        raise nested from error
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:  # what int() says of a number with thousands of digits
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
