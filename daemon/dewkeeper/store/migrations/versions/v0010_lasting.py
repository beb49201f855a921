"""What lasts (settings, stages, orders of service, corrections) is found without reading the whole journal."""

revision = "0010"
down_revision = "0009"

STATEMENTS = (
    # 1 or NULL. Marked when the store is opened, by the words of the version that opens it: remembered.py.
    "ALTER TABLE item ADD COLUMN lasting INTEGER",
    "CREATE INDEX item_lasting ON item (lasting) WHERE lasting = 1",
)


def upgrade() -> None:
    """Add the mark and its index."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
