"""Recent quarter hours lie by hour and probe: a chart of a month reads half as many pages of them.

And how far the archive reaches is kept, so that what reads recent readings need not look there.
"""

revision = "0008"
down_revision = "0007"

_COLUMNS = "n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose"
STATEMENTS = (
    # Of an hour not yet over. key: quarter since 1970 * 1024 + probe id.
    f"CREATE TABLE hour (key INTEGER PRIMARY KEY, {_COLUMNS})",
    "CREATE TEMP TABLE by_half AS SELECT * FROM recent",
    "DELETE FROM recent",
    # What is left out here is made from the readings again.
    "UPDATE covered SET until = max(rolled, until / 4 * 4)",
    # key: (hour since 1970 * 1024 + probe id) * 4 + quarter of the hour.
    f"INSERT INTO recent SELECT (((key >> 12) << 10) | ((key >> 1) & 1023)) << 2 | ((key >> 10) & 2) | (key & 1), {_COLUMNS} "  # noqa: S608
    "FROM by_half WHERE (key >> 11) * 2 + (key & 1) < (SELECT until FROM covered) ORDER BY 1",
    "DROP TABLE by_half",
    # The block after the last archived one.
    "ALTER TABLE covered ADD COLUMN archived INTEGER NOT NULL DEFAULT 0",
    "UPDATE covered SET archived = (SELECT coalesce((max(key) >> 10) + 1, 0) FROM chunk)",
)


def upgrade() -> None:
    """Put the table in another order."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
