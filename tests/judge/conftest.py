"""The judge's tests share a small rack: see judge_desk.py."""

from __future__ import annotations

import pytest
from tests.judge.judge_desk import Desk, rack


@pytest.fixture
def desk() -> Desk:
    """Return a judge with one tub at one poll a minute."""
    return Desk(rack())
