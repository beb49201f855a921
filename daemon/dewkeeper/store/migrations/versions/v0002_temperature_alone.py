"""Quarter hours count apart what readings give whose humidity alone is doubted; those that were left out are made anew.

By the store, at night, from the newest back: a note says how far (`remake`).
"""

from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column, and the note where there is something to make anew."""
    for table in ("recent", "rollup"):
        op.execute(f"ALTER TABLE {table} ADD COLUMN t_only INTEGER DEFAULT 0 NOT NULL")
    op.execute("INSERT INTO note SELECT 'quarters to remake', '4611686018427387904' WHERE EXISTS (SELECT 1 FROM probe)")
