"""Archived blocks that cannot be read lie apart, so that nothing meets them again and they can still be named."""

revision = "0009"
down_revision = "0008"

STATEMENTS = (
    # As in chunk. Without types: the schema's text fits one page, which every program that opens the file reads.
    "CREATE TABLE damaged (key INTEGER PRIMARY KEY, n, data)",
)


def upgrade() -> None:
    """Add the table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
