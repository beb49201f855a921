"""Recent quarter hours lie by half hour and probe: a chart of a month reads half as many pages of them."""

revision = "0007"
down_revision = "0006"

_COLUMNS = "n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose"
STATEMENTS = (
    # Beside the file: its schema's text would need a second page for a moment, and keep it.
    "CREATE TEMP TABLE by_time AS SELECT * FROM recent",
    "DROP TABLE recent",
    # key: (half hour since 1970 * 1024 + probe id) * 2 + quarter of the half hour.
    f"CREATE TABLE recent (key INTEGER PRIMARY KEY, {_COLUMNS})",
    f"INSERT INTO recent SELECT (((key >> 11) << 10) | (key & 1023)) << 1 | ((key >> 10) & 1), {_COLUMNS} "  # noqa: S608
    "FROM by_time ORDER BY 1",
    "DROP TABLE by_time",
)


def upgrade() -> None:
    """Put the table in another order."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
