"""What an entry says in spite of what is wrong with it, so that one slip hides no other."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from dewkeeper_config.door import adapter


def tolerant(model: Any, entry: Any) -> tuple[Any, Any, list[ErrorDetails]]:
    """Return an entry read without the values that are refused in it, what that leaves, and the refusals.

    None when what is left is refused as well: a value is missing that nothing stands in for.
    """
    try:
        return adapter(model).validate_python(entry), copy.deepcopy(entry), []
    except ValidationError as error:
        refused = error.errors(include_url=False, include_input=False)
    # The file's own stays whole: problems are worded and located by it.
    left = copy.deepcopy(entry)
    for one in refused:
        _remove(left, one["loc"])
    try:
        return adapter(model).validate_python(left), left, refused
    except ValidationError:
        return None, left, refused


def _remove(raw: Any, loc: Sequence[str | int]) -> None:
    """Take out the value that a refusal names, the table's key if it lies in a list or deeper than the file goes.

    Pydantic begins with the kind of a channel, and ends with words of its own.
    """
    whole, table = raw, ""
    for position, part in enumerate(loc):
        if not isinstance(raw, dict):
            return
        if part not in raw:
            if position == 0:
                continue
            whole.pop(table, None)  # a table that lacks something
            return
        if position == len(loc) - 1 or not isinstance(raw[part], dict):
            del raw[part]
            return
        whole, table, raw = raw, str(part), raw[part]
