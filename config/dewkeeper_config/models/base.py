"""What every table of the file has in common, and the values that several of them hold."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict

from dewkeeper_config.values import check_name

Name = Annotated[str, AfterValidator(check_name)]


class Model(BaseModel):
    """Base of every table: unknown keys are refused and nothing changes after loading."""

    # Strict: `true` is not 1 and "60" is not 60; a quoted number is a slip, and "nan" would pass every comparison.
    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_default=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True
    )


M = TypeVar("M", bound=BaseModel)


@lru_cache(maxsize=256)
def _first(model: BaseModel) -> BaseModel:
    return model


def shared(model: M) -> M:
    """Return a model equal to this one, the same for all that are equal: most enclosures have the same limits, and each kept its own."""
    return _first(model)  # type: ignore[return-value]  # equal models are of one class
