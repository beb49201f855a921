"""Secrets: named in the file, read late, never printed.

A systemd credential `phone_url` is the file of that name in /etc/dewkeeper/credentials, handed over by the unit. Outside
the unit that folder is asked itself: root may read it, as for `sudo dewkeeper config check`.
"""

from __future__ import annotations

import os
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
    shown: Any = value
    if isinstance(value, SecretSource):
        shown = SecretSource(env=NOT_SHOWN["env"]) if value.value is not None else value
    elif isinstance(value, Model):
        hidden = {key: shown for key, part in value if (shown := without_secrets(part)) is not part}
        shown = value.but(**hidden) if hidden else value
    elif isinstance(value, (list, dict)):
        shown = _each_without(value)
    return shown  # type: ignore[no-any-return]


def _each_without(value: Any) -> Any:
    """Return a list or table without secrets, the same object where there was none."""
    parts = list(value.items()) if isinstance(value, dict) else list(enumerate(value))
    shown = [(key, without_secrets(part)) for key, part in parts]
    if all(after is before for (_, after), (_, before) in zip(shown, parts, strict=True)):
        return value
    return dict(shown) if isinstance(value, dict) else [part for _, part in shown]


Secret = Annotated[SecretSource, CheckedBy(_from_text, before=True)]
