"""The order in which readings came after the clock was stepped back into what is stored."""

revision = "0003"
down_revision = "0002"

STATEMENTS = (
    # A reading that came after one with a later key. after_key: the largest key there was then. It keeps its own
    # verdict, because spans of verdicts are kept by time, and other readings lie around it there.
    "CREATE TABLE late (seq INTEGER PRIMARY KEY, key INTEGER NOT NULL UNIQUE, after_key INTEGER NOT NULL, "
    "flag INTEGER NOT NULL, tests TEXT NOT NULL)",
    "CREATE INDEX late_after ON late (after_key, seq)",
)


def upgrade() -> None:
    """Add the table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
