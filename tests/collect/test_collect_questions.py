"""What the store asks, another database could answer: a real PostgreSQL takes every question in its own words."""

from __future__ import annotations

import psycopg
import pytest
from sqlalchemy import create_engine
from tests.collect.postgres import Server
from tests.store.test_store_questions import given

from dewkeeper.store import compile, questions
from dewkeeper.store.schema import metadata


def test_postgresql_takes_every_question_of_the_store(server: Server) -> None:
    """The tables of the metadata, made there, and every question with all it is given."""
    with server.connect() as owner:
        owner.execute("CREATE DATABASE questions")
    engine = create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(server.owner("questions")))
    metadata.create_all(engine)
    engine.dispose()
    with psycopg.connect(server.owner("questions")) as database:
        for name, statement in {**questions.every(), **questions.elsewhere()}.items():
            for one in statement.values() if isinstance(statement, dict) else [statement]:
                text = compile.compiled(one, compile.POSTGRESQL)
                try:
                    database.execute(text.encode(), given(one))
                except psycopg.Error as error:
                    pytest.fail(f"{name}: {error}\n{text}")
                database.rollback()
