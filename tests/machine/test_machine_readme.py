"""The virtual machine pastes README and guide: the blocks it needs are there, once each, without booting anything."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.machine.steps import PASTED, readme_block
from tests.machine.vm import StepFailed


@pytest.mark.parametrize("words", PASTED)
def test_each_block_that_is_pasted_is_in_the_readme_once(words: str) -> None:
    """Install, configure, start, update, back up and restore are blocks that bash can read and a keeper can paste."""
    block = readme_block(words)
    bash = shutil.which("bash") or "bash"
    checked = subprocess.run(
        [bash, "-n"], input=block.replace("<this repository>", "x"), text=True, capture_output=True, check=False
    )
    assert checked.returncode == 0, checked.stderr


def test_a_block_that_is_not_there_is_no_silent_step() -> None:
    """A step whose block was renamed in the README fails and says so."""
    with pytest.raises(StepFailed, match="0 blocks"):
        readme_block("no such words")


def test_the_long_run_says_when_there_is_no_machine(tmp_path: Path) -> None:
    """Without QEMU in the path it exits with 1, names what is missing, and tries nothing."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.path[:0] = sys.argv[1:]; from tests.machine.machine_run import main; sys.exit(main([]))",
         *_path()],
        env={"PATH": str(tmp_path)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "qemu-system-x86_64 is not installed" in done.stderr
    assert done.stdout == ""


def _path() -> list[str]:
    root = Path(__file__).resolve().parents[2]
    return [str(root), *(str(root / part) for part in ("daemon", "drivers", "config", "demo"))]
