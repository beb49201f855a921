"""An index of the alarms that stand: few among years of those that are over, and what is asked first of all sites."""

from alembic import op

revision = "s0002"
down_revision = "s0001"


def upgrade() -> None:
    """Create it, as the owner."""
    op.execute("CREATE INDEX alarm_standing ON dewkeeper.alarm (site, time) WHERE what <> 'normal'")
