"""The door: what a file or another program says is held to the models by pydantic, here and nowhere else."""

from __future__ import annotations

from functools import cache
from typing import Any, TypeVar

from pydantic import TypeAdapter

import dewkeeper_config.without_plugins  # noqa: F401  before anything imports pydantic
from dewkeeper_config.models.base import Model

M = TypeVar("M", bound=Model)


@cache
def adapter(model: Any) -> TypeAdapter[Any]:
    """Return what holds a value to a model, or to a list of them; made when first asked for, for it takes a while."""
    return TypeAdapter(model)


def checked(model: type[M], raw: Any, context: Any = None) -> M:
    """Return a table of a parsed file as its model. Raises pydantic's ValidationError with everything that is wrong."""
    kind: Any = model  # a type can be hashed, which its own type does not say
    read: M = adapter(kind).validate_python(raw, context=context)
    return read
