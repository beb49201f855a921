"""A real server for all tests of sending on, and a database of its own for each."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import psycopg
import pytest
from tests.collect.postgres import Server, programs
from tests.collect.sites import SendingSite

from dewkeeper.collect.connection import parameters
from dewkeeper.collect.server import OWNER, initialise

_COUNT = itertools.count()


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """The machine's own PostgreSQL, in a temporary folder."""
    if programs() is None:
        assert not os.environ.get("CI"), "CI skips nothing: apt-get install postgresql"
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql): nothing of sending on is tested")
    made = Server()
    yield made
    made.stop()


@lru_cache
def _pattern(server: Server) -> tuple[str, str]:
    """Make a database with our schema that every other is copied from; return its name and revision."""
    with server.connect() as connection:
        connection.execute("CREATE DATABASE pattern")
    return "pattern", initialise(parameters(server.owner("pattern"), None))


class Collector:
    """A database with our schema on the server."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self.name = f"d{next(_COUNT)}"
        pattern, self.revision = _pattern(server)
        with server.connect() as connection:
            connection.execute(f"CREATE DATABASE {self.name} TEMPLATE {pattern}")
            connection.execute(f"GRANT CREATE ON DATABASE {self.name} TO {OWNER}")  # a copy has no grants of its own
        self.owner = server.owner(self.name)

    @property
    def host(self) -> str:
        """Return how a site reaches the server."""
        return f"host=127.0.0.1 port={self.server.port}"

    def connect(self) -> psycopg.Connection[Any]:
        """Connect as the superuser."""
        return self.server.connect(self.name)


@pytest.fixture
def collector(server: Server) -> Iterator[Collector]:
    """A fresh database, with the schema."""
    made = Collector(server)
    yield made
    with server.connect() as connection:
        connection.execute(f"DROP DATABASE {made.name} WITH (FORCE)")


@pytest.fixture
def site(collector: Collector, tmp_path: Path) -> Iterator[SendingSite]:
    """A site that was let in."""
    made = SendingSite.admitted(tmp_path / "north", "north room", collector.owner, collector.host)
    yield made
    made.shelf.store.close()
