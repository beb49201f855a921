"""Writing `asked` and `asked_postgresql` from `questions` and `migrations`: `python -m dewkeeper.store.compile`.

So a running daemon, and every command that looks, need neither SQLAlchemy nor Alembic: 13 MB and twenty starts of Python.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from sqlalchemy import Dialect, Executable
from sqlalchemy.dialects import postgresql, sqlite

from dewkeeper.store import migrate, questions

POSTGRESQL: Dialect = postgresql.psycopg.dialect()  # type: ignore[no-untyped-call]
_HERE = Path(__file__).parent
_HEAD = '''"""What `questions` comes to in {name}. Written by `python -m dewkeeper.store.compile`: change it there, not here."""

from typing import Final

'''


def texts() -> dict[Path, str]:
    """Return what the generated modules must hold, by their paths."""
    asked = _HERE / "asked.py"
    schema = f'\nSCHEMA: Final = """\\\n{_schema()}"""\n'
    ours = sqlite.dialect(paramstyle="named")
    return {
        asked: _module("SQLite's SQL", ours, questions.every()) + schema,
        asked.with_name("asked_postgresql.py"): _module(
            "PostgreSQL's SQL, for psycopg", POSTGRESQL, questions.elsewhere()
        ),
    }


def compiled(statement: Executable, dialect: Dialect) -> str:
    """Return a statement as SQL; what it is not given at run time stands in it."""
    made = statement.compile(dialect=dialect)  # type: ignore[attr-defined]  # every one of ours is a clause
    text = str(made)
    for name, bind in made.binds.items():
        if not bind.required and bind.value is not None and " " not in name:
            values = bind.value if isinstance(bind.value, list) else [bind.value]
            given = ", ".join(_literal(value) for value in values)
            text = re.sub(rf"\(__\[POSTCOMPILE_{name}\]\)", f"({given})", text)
            text = re.sub(rf":{name}\b|%\({name}\)s(::\w+)?", given.replace("\\", r"\\"), text)
    return "\n".join(line.rstrip() for line in text.splitlines())


def _literal(value: object) -> str:
    if isinstance(value, int):
        return str(value)
    return "'" + str(value).replace("'", "''") + "'"


def _module(name: str, dialect: Dialect, asked: Mapping[str, Executable | dict[str, Executable]]) -> str:
    lines = [_HEAD.format(name=name)]
    for key, value in asked.items():
        if isinstance(value, dict):
            inside = "".join(f'    "{table}": """\\\n{compiled(one, dialect)}\n""",\n' for table, one in value.items())
            lines.append(f"{key}: Final = {{\n{inside}}}\n")
        else:
            lines.append(f'{key}: Final = """\\\n{compiled(value, dialect)}\n"""\n')
    return "".join(lines).replace("\U0010ffff", "\\U0010ffff")


def _schema() -> str:
    """Return what Alembic would run on an empty file."""
    said = io.StringIO()
    migrate.run(said)
    statements = re.sub(r"^--.*\n", "", said.getvalue(), flags=re.MULTILINE)
    statements = statements.replace(" RETURNING version_num", "")
    return "\n".join(line.rstrip() for line in statements.splitlines() if line.strip()) + "\n"


def main(write: Callable[[Path, str], object] = Path.write_text) -> None:
    """Write both."""
    for path, text in texts().items():
        write(path, text)


if __name__ == "__main__":
    main()
