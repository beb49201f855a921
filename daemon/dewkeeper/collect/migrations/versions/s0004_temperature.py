"""A reading whose humidity alone is doubted keeps its temperature in the views, as it does on the Pi."""

from typing import Any, cast

from alembic import op

revision = "s0004"
down_revision = "s0003"

# What makes a whole reading suspect is named here as it was when this revision was written; the reading's own flag 3 is suspect.
MEASURED = """
CREATE OR REPLACE VIEW measured AS
SELECT r.site, r.probe, r.time,
    p.temperature_offset_c + p.temperature_span_c * r.t / 65535 + coalesce(c.temperature_offset_c, 0) AS temperature_c,
    CASE WHEN v.humidity IS NULL THEN NULL WHEN c.gain IS NULL THEN least(100, greatest(0, v.humidity))
        ELSE least(100, greatest(0, least(100, greatest(0, v.humidity)) * c.gain + c.humidity_offset)) END AS humidity_percent,
    r.flag IN (1, 2) AS counts, r.flag, r.why, r.t, r.h, r.gone IS NULL AS held,
    r.flag IN (1, 2) OR r.flag = 3 AND split_part(r.why, '+', 1) <> ''
        AND NOT string_to_array(split_part(r.why, '+', 1), ',') && ARRAY['out_of_order', 'rate_of_change', 'crc_burst']
        AS temperature_counts
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
WHERE r.gone IS DISTINCT FROM 'moved'
"""
READINGS = """
CREATE OR REPLACE VIEW readings AS
SELECT s.name AS site, p.room, p.enclosure, p.name AS probe, p.role, m.time, m.temperature_c, m.humidity_percent,
    m.counts, m.flag,
    array_remove(array(SELECT part FROM unnest(string_to_array(split_part(m.why, '+', 1), ',')) AS part
        WHERE part NOT LIKE '!%'), '') AS tests,
    substring(split_part(m.why, '+', 1) FROM '!([a-z]+)') AS failure,
    (string_to_array(m.why, '+'))[2:] AS notes,
    m.t AS temperature_word, m.h AS humidity_word, m.held, m.temperature_counts
FROM measured m
JOIN site s ON s.number = m.site
JOIN probe p ON p.site = m.site AND p.number = m.probe
"""
SAID = """
COMMENT ON VIEW readings IS 'temperature_c in °C, humidity_percent in %RH, as calibrated; only where counts may the humidity be averaged, only where temperature_counts the temperature.'
"""
NIGHTS = """
CREATE OR REPLACE VIEW nights AS
SELECT s.name AS site, n.morning::date AS morning, p.room, p.enclosure, p.name AS probe, p.role, x.*
FROM site s
CROSS JOIN LATERAL generate_series(
    (s.readings_since AT TIME ZONE s.timezone)::date, (now() AT TIME ZONE s.timezone)::date, interval '1 day') AS n(morning)
JOIN probe p ON p.site = s.number
CROSS JOIN LATERAL (
    SELECT count(*) AS polls, count(*) FILTER (WHERE m.counts) AS counted,
        min(m.temperature_c) FILTER (WHERE m.temperature_counts) AS temperature_min_c,
        avg(m.temperature_c) FILTER (WHERE m.temperature_counts) AS temperature_mean_c,
        max(m.temperature_c) FILTER (WHERE m.temperature_counts) AS temperature_max_c,
        min(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_min_percent,
        avg(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_mean_percent,
        max(m.humidity_percent) FILTER (WHERE m.counts) AS humidity_max_percent
    FROM measured m
    WHERE m.site = s.number AND m.probe = p.number
        AND m.time >= (n.morning::date - (s.night_start > s.night_end)::int + s.night_start) AT TIME ZONE s.timezone
        AND m.time < (n.morning::date + s.night_end) AT TIME ZONE s.timezone
) x
WHERE x.polls > 0
"""


def upgrade() -> None:
    """Make the views anew, as the owner; who may read them stays as it was."""
    connection = cast("Any", op.get_bind().connection.driver_connection)
    for step in (MEASURED, READINGS, SAID, NIGHTS):
        connection.execute(step)
