"""Compressed archive, roll-ups and late exclusions as rows of their own."""

revision = "0002"
down_revision = "0001"

STATEMENTS = (
    # Two days of one probe, raw words, key = block * 1024 + probe id.
    "CREATE TABLE chunk (key INTEGER PRIMARY KEY, n INTEGER NOT NULL, data BLOB NOT NULL)",
    # Quarter hours by probe, of archived blocks only; sums and extremes of raw words, so calibration stays correctable.
    "CREATE TABLE rollup (probe_id INTEGER NOT NULL, start INTEGER NOT NULL, n INTEGER NOT NULL, "
    "t_min INTEGER NOT NULL, t_sum INTEGER NOT NULL, t_max INTEGER NOT NULL, "
    "h_min INTEGER NOT NULL, h_sum INTEGER NOT NULL, h_max INTEGER NOT NULL, watched INTEGER NOT NULL, "
    "dry_target INTEGER NOT NULL, damp_target INTEGER NOT NULL, dry_tolerable INTEGER NOT NULL, "
    "damp_tolerable INTEGER NOT NULL, cold INTEGER NOT NULL, hot INTEGER NOT NULL, dose INTEGER NOT NULL, "
    "PRIMARY KEY (probe_id, start)) WITHOUT ROWID",
    # Faults diagnosed late. Apart from `quality`, so that what a single poll said of itself is not overwritten.
    "CREATE TABLE exclusion (probe_id INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, "
    "flag INTEGER NOT NULL, tests TEXT NOT NULL, PRIMARY KEY (probe_id, start, stop)) WITHOUT ROWID",
)


def upgrade() -> None:
    """Add the three tables."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
