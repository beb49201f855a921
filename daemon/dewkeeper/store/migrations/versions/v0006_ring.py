"""Plain rows in three tables, a block of the archive each in turn, so that one can be emptied whole."""

revision = "0006"
down_revision = "0005"

_COPY = "SELECT key, t, h FROM reading WHERE (key >> 10) / 172800 % 3 ="
STATEMENTS = (
    "CREATE TABLE hot0 (key INTEGER PRIMARY KEY, t, h)",
    "CREATE TABLE hot1 (key INTEGER PRIMARY KEY, t, h)",
    "CREATE TABLE hot2 (key INTEGER PRIMARY KEY, t, h)",
    f"INSERT INTO hot0 {_COPY} 0 ORDER BY key",
    f"INSERT INTO hot1 {_COPY} 1 ORDER BY key",
    f"INSERT INTO hot2 {_COPY} 2 ORDER BY key",
    "DROP TABLE reading",
    "CREATE VIEW reading AS SELECT key, t, h FROM hot0 UNION ALL SELECT key, t, h FROM hot1 "
    "UNION ALL SELECT key, t, h FROM hot2",
)


def upgrade() -> None:
    """Divide the table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
