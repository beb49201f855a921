"""An index of the readings that are doubted or failed: few of a day, and every question of a site asks which they are."""

from alembic import op

revision = "s0005"
down_revision = "s0004"


def upgrade() -> None:
    """Create it, as the owner, on every partition; months that are made later get theirs when they are attached."""
    op.execute("CREATE INDEX reading_doubted ON dewkeeper.reading (site, time) WHERE flag <> 1 OR why IS NOT NULL")
