"""What the store asks is written as Core statements; what it runs is their text, and neither drifts from the other."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Executable
from sqlalchemy.dialects import sqlite
from tests.store.conftest import Shelf

from dewkeeper.store import asked, compile, questions
from dewkeeper.store.database import FILE_NAME


def given(statement: Executable) -> dict[str, object]:
    """Return a value for everything a question is given: a list that is text is JSON, so all text is."""
    made = statement.compile(dialect=sqlite.dialect())  # type: ignore[attr-defined]
    kinds = {name: bind.type.python_type for name, bind in made.binds.items() if bind.required}
    return {name: {int: 1, str: "[]", bytes: b"\x01"}[kind] for name, kind in kinds.items()}


@pytest.mark.parametrize("path", compile.texts(), ids=lambda path: path.stem)
def test_the_compiled_text_is_what_the_questions_compile_to(path: Path) -> None:
    """Whoever changes a question, a table or a revision runs `python -m dewkeeper.store.compile`."""
    assert path.read_text(encoding="utf-8") == compile.texts()[path]


def test_every_question_runs_on_a_new_database(shelf: Shelf) -> None:
    """SQLite takes each with all it is given."""
    shelf.store.close()
    with closing(sqlite3.connect(shelf.folder / FILE_NAME)) as database:
        for name, statement in questions.every().items():
            texts = getattr(asked, name)
            for key, one in statement.items() if isinstance(statement, dict) else [("", statement)]:
                text = texts[key] if key else texts
                try:
                    database.execute(text, given(one))
                except sqlite3.Error as error:
                    pytest.fail(f"{name} {key}: {error}\n{text}")
                database.rollback()
