"""Quarter hours count apart what readings give whose humidity alone is doubted; those that were left out are made anew.

By the store, at night: a note says from where on (`remake`).
"""

from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column, and the note where there is something to make anew."""
    for table in ("recent", "rollup"):
        op.execute(f"ALTER TABLE {table} ADD COLUMN t_only INTEGER DEFAULT 0 NOT NULL")
    op.execute("INSERT INTO note SELECT 'quarters to remake', '0' WHERE EXISTS (SELECT 1 FROM probe)")
