"""Quarter hours of everything, hot readings included; verdicts in order of time."""

revision = "0004"
down_revision = "0003"

_VALUES = (
    "n INTEGER NOT NULL, watched INTEGER NOT NULL, t_min INTEGER NOT NULL, t_range INTEGER NOT NULL, "
    "t_over INTEGER NOT NULL, h_min INTEGER NOT NULL, h_range INTEGER NOT NULL, h_over INTEGER NOT NULL, "
    "t_driest INTEGER NOT NULL, h_at INTEGER NOT NULL, t_at INTEGER NOT NULL, humid INTEGER NOT NULL, "
    "heat INTEGER NOT NULL, dose INTEGER NOT NULL"
)
STATEMENTS = (
    "DROP TABLE rollup",
    # For good, by probe: a month of one probe is few pages. quarter: seconds since 1970 over 900. Columns: quarters.py.
    f"CREATE TABLE rollup (probe_id INTEGER NOT NULL, quarter INTEGER NOT NULL, {_VALUES}, "
    "PRIMARY KEY (probe_id, quarter)) WITHOUT ROWID",
    # The last day, in order of time: a night of all probes is few pages, and a write is one. key: quarter * 1024 + probe.
    f"CREATE TABLE recent (key INTEGER PRIMARY KEY, {_VALUES})",
    # What the two cover: everything before `rolled` is in rollup, from there to `until` in recent.
    "CREATE TABLE covered (id INTEGER PRIMARY KEY CHECK (id = 1), rolled INTEGER NOT NULL, until INTEGER NOT NULL)",
    "INSERT INTO covered VALUES (1, 0, 0)",
    # Verdicts other than a plain pass, in order of time like the readings, so that a poll writes one page.
    # key: first second * 1024 + probe; no span is longer than six hours, so that a look back is bounded.
    "CREATE TABLE verdict (key INTEGER PRIMARY KEY, stop INTEGER NOT NULL, flag INTEGER NOT NULL, tests TEXT NOT NULL)",
    "INSERT OR REPLACE INTO verdict WITH RECURSIVE piece(probe_id, start, stop, flag, tests) AS ("
    "SELECT probe_id, start, stop, flag, tests FROM quality UNION ALL "
    "SELECT probe_id, start + 21600, stop, flag, tests FROM piece WHERE stop >= start + 21600) "
    "SELECT start * 1024 + probe_id, min(stop, start + 21599), flag, tests FROM piece ORDER BY 1",
    "DROP TABLE quality",
)


def upgrade() -> None:
    """Replace two tables and add two."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
