"""Run a command with the emulated kernel's library loaded: python -m tests.kernel.under COMMAND ...

The devices' folder is new and empty: somebody in the command, or beside it, has to serve it (`EmulatedKernel(folder)`).
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.kernel.emulated import preloaded


def main(command: list[str]) -> int:
    """Return the command's exit code."""
    with tempfile.TemporaryDirectory(prefix="i2c-") as folder:
        return subprocess.run(command, env={**os.environ, **preloaded(Path(folder))}, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
