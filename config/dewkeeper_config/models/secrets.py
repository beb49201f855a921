"""Secrets: named in the file, read late, never printed.

A systemd credential `phone_url` is the file of that name in /etc/dewkeeper/credentials, handed over by the unit. Outside
the unit that folder is asked itself: root may read it, as for `sudo dewkeeper config check`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models.base import Field, Model
from dewkeeper_config.values import CheckedBy, PathText

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema

CREDENTIALS = Path("/etc/dewkeeper/credentials")
"""Where the unit takes them from; root's alone."""


class SecretText:
    """A secret itself: nothing that prints it shows it, and no snapshot holds it."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def plain(self) -> str:
        """Return the secret."""
        return self._text

    def __repr__(self) -> str:
        return "SecretText('**********')"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SecretText) and self._text == other._text

    def __hash__(self) -> int:
        return hash(self._text)

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: Any, _handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        text = core_schema.no_info_after_validator_function(cls, core_schema.str_schema(min_length=1, strict=True))
        return core_schema.no_info_before_validator_function(
            lambda given: given.plain() if isinstance(given, cls) else given, text
        )


class SecretSource(Model):
    """Where a secret comes from: exactly one of the four."""

    value: SecretText | None = Field(
        default=None, description="The secret itself; only for what is not worth protecting."
    )
    file: PathText | None = Field(
        default=None, description="A file whose content is the secret, surrounding white space removed."
    )
    env: str | None = Field(default=None, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", description="An environment variable.")
    credential: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$",
        description="A systemd credential (LoadCredential=) of this name.",
    )

    def __post_init__(self) -> None:
        """Raise ValueError unless it is exactly one."""
        if sum(v is not None for v in (self.value, self.file, self.env, self.credential)) != 1:
            raise ValueError("exactly one of value, file, env, credential")

    def read(self) -> str:
        """Return the secret now. Raises SecretUnavailable, which names the source and never the content."""
        if self.value is not None:
            return self.value.plain()
        try:
            found = os.environ[self.env] if self.env is not None else self._path().read_text(encoding="utf-8")
        except (OSError, KeyError, UnicodeDecodeError) as error:
            raise SecretUnavailable(self.describe()) from error
        if not found.strip():
            raise SecretUnavailable(self.describe())
        return found.strip()

    def describe(self) -> str:
        """Say where the secret comes from, without it."""
        if self.file is not None:
            return f"file {self.file}"
        if self.env is not None:
            return f"environment variable {self.env}"
        if self.credential is not None:
            return f"systemd credential {self.credential}"
        return "value in the configuration"

    def unavailable(self) -> str:
        """Say that it cannot be read here, and who could look when this user may not."""
        hidden = self.credential is not None and "CREDENTIALS_DIRECTORY" not in os.environ and os.geteuid() != 0
        return f"{self.describe()}: {'only root may look, try sudo' if hidden else 'not readable here'}"

    def _path(self) -> Path:
        if self.file is not None:
            return self.file
        if "CREDENTIALS_DIRECTORY" not in os.environ:
            return CREDENTIALS / str(self.credential)
        folder = Path(os.environ["CREDENTIALS_DIRECTORY"])
        # The unit loads a whole folder, and systemd then puts the unit's name before each file's.
        loaded = folder / f"dewkeeper_{self.credential}"
        return loaded if loaded.exists() else folder / str(self.credential)


def _from_text(given: Any) -> Any:
    return {"value": given} if isinstance(given, str) else given


M = TypeVar("M")
NOT_SHOWN = {"env": "NOT_SHOWN"}
"""What stands for a secret of the file itself: a place where none is, so that nobody takes it for one."""


def without_secrets(value: M) -> M:
    """Return a model, or what is part of one, with `NOT_SHOWN` where a secret stands itself; where others come from stays."""

    def hidden(source: SecretSource, _: Any) -> SecretSource:
        return SecretSource(env=NOT_SHOWN["env"]) if source.value is not None else source

    return _changed(value, None, hidden)


def with_secrets(value: M, written: Any) -> M:
    """Return what `without_secrets` made of a model with its secrets again. written: the table of the file it was read from."""

    def shown(source: SecretSource, table: Any) -> SecretSource:
        text = table.get("value") if isinstance(table, dict) else table
        if source.env == NOT_SHOWN["env"] and isinstance(text, str):
            return SecretSource(value=SecretText(text))
        return source

    return _changed(value, written, shown)


def _changed(value: M, written: Any, change: Callable[[SecretSource, Any], SecretSource]) -> M:
    """Return a value with its secrets changed, the same object where none was. written: what the file says there, if it is known."""
    whole: Any = value
    if isinstance(value, SecretSource):
        whole = change(value, written)
    elif isinstance(value, Model):
        parts = _differing(value, written, change)
        whole = value.but(**parts) if parts else value
    elif isinstance(value, dict):
        parts = _differing(value.items(), written, change)
        whole = {**value, **parts} if parts else value
    elif isinstance(value, list):
        parts = _differing(enumerate(value), written, change)
        whole = [parts.get(key, part) for key, part in enumerate(value)] if parts else value
    return whole  # type: ignore[no-any-return]


def _differing(parts: Iterable[tuple[Any, Any]], written: Any, change: Callable[..., SecretSource]) -> dict[Any, Any]:
    found = {}
    for key, part in parts:
        try:
            there = written[key]
        except (KeyError, IndexError, TypeError):  # not written, or by a rack's short form, in which is no secret
            there = None
        after = _changed(part, there, change)
        if after is not part:
            found[key] = after
    return found


Secret = Annotated[SecretSource, CheckedBy(_from_text, before=True)]
