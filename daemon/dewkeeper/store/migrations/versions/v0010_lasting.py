"""What lasts (settings, stages, orders of service, corrections) lies together, a second time: a question about any night needs
all of it, and of the journal it may be one entry on every page."""

revision = "0010"
down_revision = "0009"

STATEMENTS = (
    # As in item. Filled when the store is opened, by the words of the version that opens it: remembered.py.
    "CREATE TABLE lasting (seq INTEGER PRIMARY KEY, kind, data)",
)


def upgrade() -> None:
    """Add the table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
