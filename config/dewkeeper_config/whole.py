"""Writing a small file whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path


def write_whole(path: Path, data: bytes, *, mode: int = 0o600) -> None:
    """Write a file so that after a power cut it is the old one or the new one, never an empty one. Raises OSError.

    Nothing is written when the file already says this, and has this mode: a card wears by writing.
    """
    if _content(path, mode) == data:
        return
    import tempfile  # with random; who looks writes nothing

    # mkstemp makes it readable by its owner only, and in the same folder, for a rename does not cross drives.
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(handle, mode)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())  # without it the rename may reach the disk before the content
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)  # and without this the rename itself may be lost
    finally:
        os.close(folder)


def _content(path: Path, mode: int) -> bytes | None:
    """Return what a file says, None when it is no plain file of this mode."""
    try:
        return path.read_bytes() if path.lstat().st_mode == stat.S_IFREG | mode else None
    except OSError:
        return None
