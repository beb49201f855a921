"""The first schema. A revision never changes once somebody has a database of it; the next one goes from here.

As text, for SQLite alone: built of Alembic's operations it took four times as long, at every database a test makes.
"""

from alembic import op

revision = "0001"
down_revision = None

STATEMENTS = """
CREATE TABLE probe (id INTEGER NOT NULL, name TEXT NOT NULL, scale TEXT NOT NULL, PRIMARY KEY (id), CHECK (id BETWEEN
  1 AND 1023), UNIQUE (name));
CREATE TABLE reading ("key" INTEGER NOT NULL, t INTEGER, h INTEGER, PRIMARY KEY ("key"));
CREATE TABLE chunk ("key" INTEGER NOT NULL, n INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY ("key"));
CREATE TABLE damaged ("key" INTEGER NOT NULL, n INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY ("key"));
CREATE TABLE verdict ("key" INTEGER NOT NULL, stop INTEGER NOT NULL, flag INTEGER NOT NULL, tests TEXT NOT NULL,
  PRIMARY KEY ("key"));
CREATE TABLE exclusion (probe_id INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, flag INTEGER NOT
  NULL, tests TEXT NOT NULL, PRIMARY KEY (probe_id, start, stop));
CREATE TABLE late (seq INTEGER NOT NULL, "key" INTEGER NOT NULL, after_key INTEGER NOT NULL, flag INTEGER NOT NULL,
  tests TEXT NOT NULL, PRIMARY KEY (seq), UNIQUE ("key"));
CREATE INDEX late_after ON late (after_key, seq);
CREATE TABLE recent ("key" INTEGER NOT NULL, n INTEGER NOT NULL, watched INTEGER NOT NULL, t_min INTEGER NOT NULL,
  t_range INTEGER NOT NULL, t_over INTEGER NOT NULL, h_min INTEGER NOT NULL, h_range INTEGER NOT NULL, h_over INTEGER
  NOT NULL, t_driest INTEGER NOT NULL, h_at INTEGER NOT NULL, t_at INTEGER NOT NULL, humid INTEGER NOT NULL, heat
  INTEGER NOT NULL, dose INTEGER NOT NULL, PRIMARY KEY ("key"));
CREATE TABLE rollup ("key" INTEGER NOT NULL, n INTEGER NOT NULL, watched INTEGER NOT NULL, t_min INTEGER NOT NULL,
  t_range INTEGER NOT NULL, t_over INTEGER NOT NULL, h_min INTEGER NOT NULL, h_range INTEGER NOT NULL, h_over INTEGER
  NOT NULL, t_driest INTEGER NOT NULL, h_at INTEGER NOT NULL, t_at INTEGER NOT NULL, humid INTEGER NOT NULL, heat
  INTEGER NOT NULL, dose INTEGER NOT NULL, PRIMARY KEY ("key"));
CREATE TABLE covered (id INTEGER NOT NULL, rolled INTEGER NOT NULL, until INTEGER NOT NULL, PRIMARY KEY (id), CHECK
  (id = 1));
CREATE TABLE item (seq INTEGER NOT NULL, after_key INTEGER NOT NULL, time INTEGER NOT NULL, kind TEXT NOT NULL, word
  TEXT, enclosure TEXT, data TEXT NOT NULL, lasts INTEGER NOT NULL, PRIMARY KEY (seq));
CREATE INDEX item_kind ON item (kind, time);
CREATE INDEX item_lasting ON item (seq, kind, data, lasts) WHERE lasts = 1;
CREATE TABLE event (seq INTEGER NOT NULL, id TEXT NOT NULL, alarm TEXT NOT NULL, time INTEGER NOT NULL, enclosure
  TEXT, data TEXT NOT NULL, PRIMARY KEY (seq), UNIQUE (id));
CREATE INDEX event_alarm ON event (alarm);
CREATE INDEX event_time ON event (time);
CREATE TABLE alarm (alarm TEXT NOT NULL, state TEXT NOT NULL, raised INTEGER NOT NULL, data TEXT NOT NULL, PRIMARY KEY
  (alarm));
CREATE INDEX alarm_state ON alarm (state) WHERE state != 'normal';
CREATE TABLE message (seq INTEGER NOT NULL, id TEXT NOT NULL, state TEXT NOT NULL, person TEXT NOT NULL, channel TEXT
  NOT NULL, priority TEXT NOT NULL, not_before INTEGER NOT NULL, next_try INTEGER NOT NULL, attempts INTEGER NOT NULL,
  last_error TEXT NOT NULL, created INTEGER NOT NULL, sent INTEGER, data TEXT NOT NULL, PRIMARY KEY (seq), UNIQUE
  (id));
CREATE INDEX message_pending ON message (next_try) WHERE state = 'pending';
CREATE TABLE snapshot (id INTEGER NOT NULL, time INTEGER NOT NULL, after_key INTEGER NOT NULL, after_item INTEGER NOT
  NULL, data BLOB NOT NULL, PRIMARY KEY (id));
CREATE TABLE note (name TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (name));
INSERT INTO covered VALUES (1, 0, 0)
"""


def upgrade() -> None:
    """Make every table."""
    for statement in STATEMENTS.split(";"):
        op.execute(statement.strip())
