"""Secrets: named in the file, read late, never printed.

A systemd credential `phone_url` is the file of that name in /etc/dewkeeper/credentials, handed over by the unit. Outside
the unit that folder is asked itself: root may read it, as for `sudo dewkeeper config check`.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, model_validator

from dewkeeper_config.errors import SecretUnavailable

CREDENTIALS = Path("/etc/dewkeeper/credentials")
"""Where the unit takes them from; root's alone."""


class SecretSource(BaseModel):
    """Where a secret comes from: exactly one of the four."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    value: SecretStr | None = Field(
        None, min_length=1, description="The secret itself; only for what is not worth protecting."
    )
    file: Path | None = Field(None, description="A file whose content is the secret, surrounding white space removed.")
    env: str | None = Field(None, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", description="An environment variable.")
    credential: str | None = Field(
        None,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$",
        description="A systemd credential (LoadCredential=) of this name.",
    )

    @model_validator(mode="after")
    def _exactly_one(self) -> SecretSource:
        if sum(v is not None for v in (self.value, self.file, self.env, self.credential)) != 1:
            raise ValueError("exactly one of value, file, env, credential")
        return self

    def read(self) -> str:
        """Return the secret now. Raises SecretUnavailable, which names the source and never the content."""
        if self.value is not None:
            return self.value.get_secret_value()
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


Secret = Annotated[SecretSource, BeforeValidator(_from_text)]
