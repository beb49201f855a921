"""Imported before pydantic: keeps it from looking through every installed package for plugins, which nobody here has.

That, and the half of `importlib.metadata` it takes, is a fifth of what a command costs to start. Nothing is changed for
who sets PYDANTIC_DISABLE_PLUGINS.
"""

from __future__ import annotations

import os
import sys
from types import ModuleType
from typing import Any


class _Metadata(ModuleType):
    """Stands for importlib.metadata while pydantic is imported; who asks it gets the real one's answer."""

    @staticmethod
    def entry_points(**which: Any) -> Any:
        from importlib import metadata

        return metadata.entry_points(**which)


if (
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__") == "__all__"
    and "importlib.metadata" not in sys.modules
):
    sys.modules["importlib.metadata"] = _Metadata("importlib.metadata")
    try:
        import pydantic.plugin._loader  # noqa: F401
    finally:
        del sys.modules["importlib.metadata"]
