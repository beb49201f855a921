"""Quarter hours that stay lie by day and probe: a night appends full pages instead of touching a page of every probe."""

revision = "0005"
down_revision = "0004"

_COLUMNS = "n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose"
STATEMENTS = (
    "ALTER TABLE rollup RENAME TO by_probe",
    # key: (day * 1024 + probe id) * 128 + quarter of the day; day and quarter since 1970, UTC.
    # Without types: the schema's text fits one page, which every program that opens the file reads.
    f"CREATE TABLE rollup (key INTEGER PRIMARY KEY, {_COLUMNS})",
    # Day by day and probe by probe, so that nothing is sorted: a year is more than a small machine's memory.
    f"""INSERT INTO rollup WITH RECURSIVE day(d) AS (SELECT min(quarter) / 96 FROM by_probe
    UNION ALL SELECT d + 1 FROM day WHERE d < (SELECT max(quarter) / 96 FROM by_probe))
    SELECT (d << 10 | id) << 7 | quarter % 96, {_COLUMNS} FROM day CROSS JOIN probe CROSS JOIN by_probe
    ON probe_id = id AND quarter >= d * 96 AND quarter < d * 96 + 96""",  # noqa: S608
    "DROP TABLE by_probe",
)


def upgrade() -> None:
    """Put the table in another order."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
