"""Archived blocks that cannot be read lie apart, so that nothing meets them again and they can still be named."""

revision = "0009"
down_revision = "0008"

STATEMENTS = (
    # As in chunk.
    "CREATE TABLE damaged (key INTEGER PRIMARY KEY, n INTEGER NOT NULL, data BLOB NOT NULL)",
)


def upgrade() -> None:
    """Add the table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
