"""The judge's tests share a small rack: see judge_desk.py."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from judge_desk import Desk, rack


@pytest.fixture
def desk() -> Desk:
    """Return a judge with one tub at one poll a minute."""
    return Desk(rack())
