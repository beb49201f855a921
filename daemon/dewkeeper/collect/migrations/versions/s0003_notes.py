"""What a site says of itself: how its rooms stand, and the small facts that its reports are told by."""

from typing import Any, cast

from alembic import op

revision = "s0003"
down_revision = "s0002"

NOTES = """
CREATE TABLE note (
    site smallint NOT NULL REFERENCES site,
    name text NOT NULL,
    value text NOT NULL,
    PRIMARY KEY (site, name)
);
COMMENT ON TABLE note IS 'As the site says it now: layout is how its rooms stand, JSON; figures: what was learned, for its curves.';
GRANT SELECT, INSERT, UPDATE, DELETE ON note TO dewkeeper_sender;
GRANT SELECT ON note TO dewkeeper_reader;
ALTER TABLE note ENABLE ROW LEVEL SECURITY;
CREATE POLICY sender ON note TO dewkeeper_sender
    USING (site = (SELECT own_site())) WITH CHECK (site = (SELECT own_site()));
CREATE POLICY reader ON note FOR SELECT TO dewkeeper_reader USING (true);
"""


def upgrade() -> None:
    """Create it, as the owner."""
    cast("Any", op.get_bind().connection.driver_connection).execute(NOTES)
