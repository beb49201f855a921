"""Real servers on loopback and a certificate authority of our own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tests.servers.authority import Authority
from tests.servers.receiver import Phone


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """Return a certificate authority; making keys is slow, so once."""
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def phone() -> Iterator[Phone]:
    """Return a phone that answers over plain HTTP as it is told."""
    with Phone() as server:
        yield server
