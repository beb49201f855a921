"""The first schema."""

revision = "0001"
down_revision = None

STATEMENTS = (
    "CREATE TABLE probe (id INTEGER PRIMARY KEY CHECK (id BETWEEN 1 AND 1023), name TEXT NOT NULL UNIQUE, "
    "scale TEXT NOT NULL DEFAULT 'sht3x')",
    # Raw 16-bit words in time order; NULL is a failed poll. Appending to an integer key fills pages to 99.8 %.
    "CREATE TABLE reading (key INTEGER PRIMARY KEY, t INTEGER, h INTEGER)",
    # Sparse: only readings that do not count, as spans of consecutive readings with one verdict.
    "CREATE TABLE quality (probe_id INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, "
    "flag INTEGER NOT NULL, tests TEXT NOT NULL, detail TEXT NOT NULL DEFAULT '', PRIMARY KEY (probe_id, start)) "
    "WITHOUT ROWID",
    # Everything else of the stream, each after the reading that was the last one stored when it came.
    "CREATE TABLE item (seq INTEGER PRIMARY KEY, after_key INTEGER NOT NULL, time INTEGER NOT NULL, "
    "kind TEXT NOT NULL, data TEXT NOT NULL)",
    "CREATE INDEX item_kind ON item (kind, time)",
    "CREATE TABLE event (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, alarm TEXT NOT NULL, time INTEGER NOT NULL, "
    "enclosure TEXT, data TEXT NOT NULL)",
    "CREATE INDEX event_time ON event (time)",
    "CREATE INDEX event_alarm ON event (alarm)",
    "CREATE TABLE alarm (alarm TEXT PRIMARY KEY, state TEXT NOT NULL, raised INTEGER NOT NULL, data TEXT NOT NULL) "
    "WITHOUT ROWID",
    "CREATE INDEX alarm_state ON alarm (state) WHERE state != 'normal'",
    "CREATE TABLE message (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, state TEXT NOT NULL, "
    "not_before INTEGER NOT NULL, next_try INTEGER NOT NULL, attempts INTEGER NOT NULL, last_error TEXT NOT NULL, "
    "created INTEGER NOT NULL, sent INTEGER, data TEXT NOT NULL)",
    "CREATE INDEX message_pending ON message (next_try) WHERE state = 'pending'",
    "CREATE TABLE snapshot (id INTEGER PRIMARY KEY, time INTEGER NOT NULL, after_key INTEGER NOT NULL, "
    "after_item INTEGER NOT NULL, closed INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE TABLE note (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
)


def upgrade() -> None:
    """Create every table."""
    from alembic import op  # a new file is made without it

    for statement in STATEMENTS:
        op.execute(statement)
