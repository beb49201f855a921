"""What every table of the file has in common, and the values that several of them hold."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from dewkeeper_config.values import check_name

Name = Annotated[str, AfterValidator(check_name)]


class Model(BaseModel):
    """Base of every table: unknown keys are refused and nothing changes after loading."""

    # Strict: `true` is not 1 and "60" is not 60; a quoted number is a slip, and "nan" would pass every comparison.
    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_default=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True
    )
