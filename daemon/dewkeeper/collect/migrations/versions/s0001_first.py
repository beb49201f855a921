"""The server's first schema: tables, partitions, roles, row level security, views."""

from typing import Any, cast

from alembic import op

revision = "s0001"
down_revision = None

TABLES = """
CREATE TABLE site (
    number smallint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 60),
    login name NOT NULL UNIQUE,
    installation uuid,
    timezone text NOT NULL DEFAULT 'UTC',
    night_start time NOT NULL DEFAULT '21:00',
    night_end time NOT NULL DEFAULT '08:00',
    program text NOT NULL DEFAULT '',
    readings_since timestamptz,
    readings_until timestamptz,
    items_from bigint NOT NULL DEFAULT 0,
    items_until bigint NOT NULL DEFAULT 0,
    events_until bigint NOT NULL DEFAULT 0,
    altered_until bigint NOT NULL DEFAULT 0,
    mark text NOT NULL DEFAULT '',
    compared_until timestamptz,
    sent_at timestamptz
);
COMMENT ON TABLE site IS 'One Pi each, and how far it has sent: the queue is its own store, the cursor stands here.';
COMMENT ON COLUMN site.login IS 'The role that sends as this site, and as no other.';
COMMENT ON COLUMN site.installation IS 'The one installation that sends under this name; the first that came.';
COMMENT ON COLUMN site.mark IS 'What was sent last, as the site can find it again in its store; if it cannot, its store is another.';
COMMENT ON COLUMN site.sent_at IS 'By the clock of this server.';

CREATE TABLE probe (
    site smallint NOT NULL REFERENCES site,
    number smallint NOT NULL,
    name text NOT NULL,
    scale text NOT NULL,
    temperature_offset_c double precision,
    temperature_span_c double precision,
    humidity_offset_percent double precision,
    humidity_span_percent double precision,
    enclosure text,
    role text,
    room text,
    PRIMARY KEY (site, number),
    UNIQUE (site, name)
);
COMMENT ON TABLE probe IS 'value = offset + span * word / 65535, then the calibration; enclosure, role and room as of now.';

-- No foreign keys: they would cost a look-up a reading, and only the site itself writes here.
CREATE TABLE reading (
    time timestamptz NOT NULL,
    t integer CHECK (t BETWEEN 0 AND 65535),
    h integer CHECK (h BETWEEN 0 AND 65535),
    site smallint NOT NULL,
    probe smallint NOT NULL,
    flag smallint NOT NULL,
    why text,
    gone text,
    PRIMARY KEY (site, probe, time)
) PARTITION BY RANGE (time);
CREATE TABLE reading_other PARTITION OF reading DEFAULT;
COMMENT ON TABLE reading IS 'Raw 16-bit words, a partition a month; the view readings has values.';
COMMENT ON TABLE reading_other IS 'What a clock dated before 2010 or into the future.';
COMMENT ON COLUMN reading.flag IS 'QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing; 1 and 2 count.';
COMMENT ON COLUMN reading.why IS 'Tests that set the flag, !why a poll failed, +what the driver saw; NULL for nothing.';
COMMENT ON COLUMN reading.gone IS 'NULL: the site has it. lost: it has it no longer. moved: it was dated anew and stands elsewhere.';
"""

RECORDS = """
CREATE TABLE {name} (
    site smallint NOT NULL REFERENCES site,
    id text NOT NULL,
    seq bigint NOT NULL,
    time timestamptz NOT NULL,
    what text NOT NULL,
    data jsonb NOT NULL,
    gone text,
    PRIMARY KEY (site, id)
);
CREATE INDEX {name}_time ON {name} (site, time);
COMMENT ON TABLE {name} IS '{comment}; gone as in reading.';
"""

WORK = """
CREATE INDEX item_calibration ON item (site, (data ->> 'probe'), time DESC, seq DESC)
    WHERE what = 'Calibration' AND gone IS NULL;
CREATE INDEX item_replaces ON item (site, (data ->> 'replaces')) WHERE what = 'JournalEntry' AND gone IS NULL;

CREATE TABLE resend (
    site smallint NOT NULL REFERENCES site,
    start timestamptz NOT NULL,
    stop timestamptz NOT NULL,
    moved boolean NOT NULL,
    number bigint GENERATED ALWAYS AS IDENTITY,
    PRIMARY KEY (site, number)
);
COMMENT ON TABLE resend IS 'Spans of the past that are yet to be compared with the site and brought in line.';
"""

FUNCTIONS = """
-- The oldest and the newest way of sending that this schema takes.
CREATE FUNCTION speaks(OUT oldest integer, OUT newest integer) LANGUAGE sql IMMUTABLE AS 'SELECT 1, 1';

-- session_user is who logged in; no role that may send can change it.
CREATE FUNCTION own_site() RETURNS smallint LANGUAGE sql STABLE SECURITY DEFINER SET search_path = dewkeeper, pg_temp
AS 'SELECT number FROM site WHERE login = session_user';

-- The installation that came first under a name keeps it. Returns whether it is the one that asks.
CREATE FUNCTION claim(asking uuid) RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER SET search_path = dewkeeper, pg_temp
AS $$
BEGIN
    UPDATE site SET installation = asking WHERE login = session_user AND installation IS NULL;
    RETURN EXISTS (SELECT 1 FROM site WHERE login = session_user AND installation = asking);
END $$;

-- Makes the partitions of these months. A month in the future has none; what a wrong clock had put there moves into it.
CREATE FUNCTION make_room(first timestamptz, last timestamptz) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
SET search_path = dewkeeper, pg_temp SET timezone = 'UTC'
AS $$
DECLARE
    at timestamptz := date_trunc('month', greatest(first, timestamptz '2010-01-01'));
    past timestamptz;
    part text;
BEGIN
    WHILE at <= least(last, now() + interval '35 days') LOOP
        part := 'reading_' || to_char(at, 'YYYYMM');
        past := at + interval '1 month';
        IF to_regclass('dewkeeper.' || part) IS NULL THEN
            PERFORM pg_advisory_xact_lock(hashtext('dewkeeper make_room'));
            IF to_regclass('dewkeeper.' || part) IS NULL THEN
                EXECUTE format('CREATE TABLE %I (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS)', part);
                -- Only after this lock can nobody put another row of this month there.
                LOCK TABLE reading_other IN ACCESS EXCLUSIVE MODE;
                EXECUTE format('WITH moved AS (DELETE FROM reading_other WHERE time >= %L AND time < %L RETURNING *) '
                    'INSERT INTO %I SELECT * FROM moved', at, past, part);
                EXECUTE format('ALTER TABLE reading ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', part, at, past);
            END IF;
        END IF;
        at := past;
    END LOOP;
END $$;
"""

VIEWS = """
CREATE VIEW measured AS
SELECT r.site, r.probe, r.time,
    p.temperature_offset_c + p.temperature_span_c * r.t / 65535 + coalesce(c.temperature_offset_c, 0) AS temperature_c,
    -- least and greatest pass over NULL, so a failed poll is asked for first.
    CASE WHEN v.humidity IS NULL THEN NULL WHEN c.gain IS NULL THEN least(100, greatest(0, v.humidity))
        ELSE least(100, greatest(0, least(100, greatest(0, v.humidity)) * c.gain + c.humidity_offset)) END AS humidity_percent,
    r.flag IN (1, 2) AS counts, r.flag, r.why, r.t, r.h, r.gone IS NULL AS held
FROM reading r
JOIN probe p ON p.site = r.site AND p.number = r.probe
CROSS JOIN LATERAL (SELECT p.humidity_offset_percent + p.humidity_span_percent * r.h / 65535 AS humidity) v
LEFT JOIN LATERAL (
    SELECT (i.data ->> 'temperature_offset_c')::double precision AS temperature_offset_c,
        (i.data ->> 'humidity_offset_percent')::double precision AS humidity_offset,
        (i.data ->> 'humidity_gain')::double precision AS gain
    FROM item i
    WHERE i.site = r.site AND i.what = 'Calibration' AND i.gone IS NULL AND i.data ->> 'probe' = p.name AND i.time <= r.time
    ORDER BY i.time DESC, i.seq DESC LIMIT 1
) c ON true
WHERE r.gone IS DISTINCT FROM 'moved';
COMMENT ON VIEW measured IS 'What readings and nights are made of: values under the numbers of site and probe.';

CREATE VIEW readings AS
SELECT s.name AS site, p.room, p.enclosure, p.name AS probe, p.role, m.time, m.temperature_c, m.humidity_percent,
    m.counts, m.flag,
    array_remove(array(SELECT part FROM unnest(string_to_array(split_part(m.why, '+', 1), ',')) AS part
        WHERE part NOT LIKE '!%'), '') AS tests,
    substring(split_part(m.why, '+', 1) FROM '!([a-z]+)') AS failure,
    (string_to_array(m.why, '+'))[2:] AS notes,
    m.t AS temperature_word, m.h AS humidity_word, m.held
FROM measured m
JOIN site s ON s.number = m.site
JOIN probe p ON p.site = m.site AND p.number = m.probe;
COMMENT ON VIEW readings IS 'temperature_c in °C, humidity_percent in %RH, as calibrated; only where counts may a reading be averaged.';

CREATE VIEW nights AS
SELECT s.name AS site, n.morning::date AS morning, p.room, p.enclosure, p.name AS probe, p.role, x.*
FROM site s
CROSS JOIN LATERAL generate_series(
    (s.readings_since AT TIME ZONE s.timezone)::date, (now() AT TIME ZONE s.timezone)::date, interval '1 day') AS n(morning)
JOIN probe p ON p.site = s.number
CROSS JOIN LATERAL (
    SELECT count(*) AS polls, count(*) FILTER (WHERE m.counts) AS counted,
        min(m.temperature_c) FILTER (WHERE m.counts) AS temperature_min_c,
        avg(m.temperature_c) FILTER (WHERE m.counts) AS temperature_mean_c,
        max(m.temperature_c) FILTER (WHERE m.counts) AS temperature_max_c,
        min(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_min_percent,
        avg(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_mean_percent,
        max(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_max_percent
    FROM measured m
    WHERE m.site = s.number AND m.probe = p.number
        AND m.time >= (n.morning::date - (s.night_start > s.night_end)::int + s.night_start) AT TIME ZONE s.timezone
        AND m.time < (n.morning::date + s.night_end) AT TIME ZONE s.timezone
) x
WHERE x.polls > 0;
COMMENT ON VIEW nights IS 'Each probe''s night, in the site''s own time zone and hours; ask for a site and a morning.';

CREATE VIEW journal AS
SELECT s.name AS site, i.time, i.data ->> 'enclosure' AS enclosure, i.data ->> 'what' AS what, i.data ->> 'detail' AS detail,
    i.data ->> 'who' AS who, to_timestamp((i.data ->> 'until')::bigint) AS until, i.id, i.gone IS NULL AS held
FROM item i
JOIN site s ON s.number = i.site
WHERE i.what = 'JournalEntry' AND i.gone IS DISTINCT FROM 'moved' AND i.data ->> 'what' <> 'withdrawn'
    AND NOT EXISTS (SELECT 1 FROM item o WHERE o.site = i.site AND o.what = 'JournalEntry' AND o.gone IS NULL
        AND o.data ->> 'replaces' = i.id);
COMMENT ON VIEW journal IS 'Without what was corrected or taken back; that stays in item.';

CREATE VIEW alarms AS
SELECT s.name AS site, a.data ->> 'enclosure' AS enclosure, a.data ->> 'probe' AS probe, a.data ->> 'kind' AS kind,
    a.data ->> 'band' AS band, a.data ->> 'priority' AS priority, a.what AS state,
    to_timestamp((a.data ->> 'since')::bigint) AS since, a.time AS raised,
    (a.data ->> 'value')::double precision AS value, (a.data ->> 'limit')::double precision AS "limit",
    a.data ->> 'cause' AS cause, a.data ->> 'response' AS response, a.id AS alarm, a.gone IS NULL AS held
FROM alarm a
JOIN site s ON s.number = a.site
WHERE a.gone IS DISTINCT FROM 'moved';
COMMENT ON VIEW alarms IS 'As they stand by what the site sent last; standing are those whose state is not normal.';

CREATE VIEW events AS
SELECT s.name AS site, e.time, e.data ->> 'event' AS event, e.data ->> 'kind' AS kind, e.data ->> 'enclosure' AS enclosure,
    e.data ->> 'probe' AS probe, e.data ->> 'band' AS band, e.data ->> 'priority' AS priority, e.data ->> 'who' AS who,
    e.data ->> 'why' AS why, e.data ->> 'alarm' AS alarm, e.id, e.gone IS NULL AS held
FROM event e
JOIN site s ON s.number = e.site
WHERE e.gone IS DISTINCT FROM 'moved';
"""

RIGHTS = """
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA dewkeeper FROM PUBLIC;
GRANT USAGE ON SCHEMA dewkeeper TO dewkeeper_sender, dewkeeper_reader;
GRANT EXECUTE ON FUNCTION speaks(), own_site(), claim(uuid), make_room(timestamptz, timestamptz) TO dewkeeper_sender;

GRANT SELECT ON site TO dewkeeper_sender;
GRANT UPDATE (timezone, night_start, night_end, program, readings_since, readings_until, items_from, items_until,
    events_until, altered_until, mark, compared_until, sent_at) ON site TO dewkeeper_sender;
GRANT SELECT, INSERT, UPDATE ON probe, reading, item, event, alarm TO dewkeeper_sender;
GRANT SELECT, INSERT, UPDATE, DELETE ON resend TO dewkeeper_sender;
GRANT SELECT ON site, probe, reading, item, event, alarm, resend, measured, readings, nights, journal, alarms, events TO dewkeeper_reader;

ALTER TABLE site ENABLE ROW LEVEL SECURITY;
CREATE POLICY sender ON site TO dewkeeper_sender USING (login = session_user) WITH CHECK (login = session_user);
CREATE POLICY reader ON site FOR SELECT TO dewkeeper_reader USING (true);
"""

OWN = """
ALTER TABLE {name} ENABLE ROW LEVEL SECURITY;
CREATE POLICY sender ON {name} TO dewkeeper_sender
    USING (site = (SELECT own_site())) WITH CHECK (site = (SELECT own_site()));
CREATE POLICY reader ON {name} FOR SELECT TO dewkeeper_reader USING (true);
"""


def upgrade() -> None:
    """Create everything, as the owner."""
    kinds = {
        "item": "The stream but for readings: settings, journal, commands, calibrations, facts, the Pi''s own health",
        "event": "What happened to an alarm",
        "alarm": "Alarms as they stand; what is the state",
    }
    steps = [TABLES, *(RECORDS.format(name=name, comment=text) for name, text in kinds.items()), WORK, FUNCTIONS, VIEWS]
    steps += [RIGHTS, *(OWN.format(name=name) for name in ("probe", "reading", "item", "event", "alarm", "resend"))]
    # Past SQLAlchemy, which would take a % for a parameter's place.
    connection = cast("Any", op.get_bind().connection.driver_connection)
    for step in steps:
        connection.execute(step)
