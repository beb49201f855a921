"""What `questions` comes to in PostgreSQL's SQL, for psycopg. Written by `python -m dewkeeper.store.compile`: change it there, not here."""

from typing import Final

PROBES: Final = """\
SELECT probe.id, probe.name, probe.scale
FROM probe ORDER BY probe.id
"""
PROBE_COUNT: Final = """\
SELECT count(*) AS count_1
FROM probe
"""
PROBE_NUMBER: Final = """\
SELECT probe.id
FROM probe
WHERE probe.name = %(name)s::VARCHAR
"""
READINGS: Final = """\
SELECT reading.key, reading.t, reading.h
FROM reading
WHERE reading.key >= %(first)s::BIGINT AND reading.key < %(end)s::BIGINT ORDER BY reading.key
"""
READINGS_OF: Final = """\
SELECT reading.key, reading.t, reading.h
FROM reading
WHERE reading.key >= %(first)s::BIGINT AND reading.key < %(end)s::BIGINT AND (reading.key & 1023) = %(number)s::BIGINT
"""
VERDICTS: Final = """\
SELECT verdict.key, verdict.stop, verdict.flag, verdict.tests
FROM verdict
WHERE verdict.key >= %(first)s::BIGINT AND verdict.key < %(end)s::BIGINT AND verdict.stop >= %(start)s::BIGINT ORDER BY verdict.key
"""
COVERED: Final = """\
SELECT covered.rolled, covered.until
FROM covered
"""
NEWEST_ITEM: Final = """\
SELECT coalesce(max(item.seq), 0) AS coalesce_1
FROM item
"""
LASTING: Final = """\
SELECT item.kind, item.data
FROM item
WHERE lasts = 1 AND item.seq > %(seq)s::BIGINT ORDER BY item.seq
"""
CALIBRATIONS: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.kind = 'Calibration' ORDER BY item.time, item.seq
"""
JOURNAL: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.kind = 'JournalEntry' AND item.time >= %(since)s::BIGINT AND (%(words)s::VARCHAR IS NULL OR item.word IN (SELECT anon_1.value
FROM json_array_elements_text(%(words)s::VARCHAR::json) AS anon_1)) AND (%(enclosure)s::VARCHAR IS NULL OR item.enclosure = %(enclosure)s::VARCHAR) ORDER BY item.time, item.seq
"""
LEARNED: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.seq IN (SELECT max(item.seq) AS max_1
FROM item
WHERE item.kind = 'Learned' AND item.time > %(at)s::BIGINT - 5184000 AND item.time <= %(at)s::BIGINT GROUP BY item.enclosure)
"""
EVENTS: Final = """\
SELECT event.data
FROM event
WHERE event.time >= %(since)s::BIGINT AND event.time < %(until)s::BIGINT AND (%(enclosure)s::VARCHAR IS NULL OR event.enclosure = %(enclosure)s::VARCHAR) ORDER BY event.seq
"""
STANDING: Final = """\
SELECT alarm.data
FROM alarm
WHERE state != 'normal' ORDER BY alarm.raised
"""
NOTES_WITHOUT_FIGURES: Final = """\
SELECT note.name, note.value
FROM note
WHERE note.name < 'figures:' OR note.name >= 'figures:\U0010ffff'
"""
NOTES_WITHIN: Final = """\
SELECT note.name, note.value
FROM note
WHERE note.name >= %(first)s::VARCHAR AND note.name < %(end)s::VARCHAR
"""
SUMS: Final = """\
SELECT probe.id, sum(recent.n) AS sum_1, sum(recent.watched) AS sum_2, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) AS sum_3, sum(recent.n * recent.h_min + recent.h_over) AS sum_4, min(((CASE WHEN (recent.n > 0) THEN recent.h_min END << 47) | ((recent.key >> 10) * 900 + (recent.h_at & 1023) << 16)) | recent.t_min + recent.t_driest) AS min_1, max((CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END << 31) | 2147483647 - ((recent.key >> 10) * 900 + (recent.h_at >> 10))) AS max_1, min((recent.t_min << 31) | (recent.key >> 10) * 900 + (recent.t_at & 1023)) AS min_2, max((recent.t_min + recent.t_range << 31) | 2147483647 - ((recent.key >> 10) * 900 + (recent.t_at >> 10))) AS max_2, sum(recent.humid & 4095) AS sum_5, sum((recent.humid >> 12) & 4095) AS sum_6, sum((recent.humid >> 24) & 4095) AS sum_7, sum(recent.humid >> 36) AS sum_8, sum(recent.heat & 4095) AS sum_9, sum(recent.heat >> 12) AS sum_10, sum(recent.dose) AS sum_11, sum(recent.t_only & 4095) AS sum_12, sum(recent.t_only >> 12) AS sum_13
FROM recent JOIN probe ON probe.id = ((recent.key >> 0) & 1023)
WHERE (recent.key >> 10) >= %(first)s::BIGINT AND (recent.key >> 10) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id
"""
SLICES: Final = """\
SELECT probe.id, min(recent.key >> 10) AS min_1, sum(recent.n) AS sum_1, min(recent.t_min) AS min_2, max(recent.t_min + recent.t_range) - min(recent.t_min) AS anon_1, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) - (sum(recent.n) + sum(recent.t_only >> 12)) * min(recent.t_min) AS anon_2, min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS min_3, max(CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END) - min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_3, sum(recent.n * recent.h_min + recent.h_over) - sum(recent.n) * min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_4, sum(recent.watched) AS sum_2, sum(recent.t_only >> 12) AS sum_3, sum(greatest(((recent.humid >> 24) & 4095) + (recent.humid >> 36), (recent.heat & 4095) + (recent.heat >> 12))) AS sum_4
FROM recent JOIN probe ON probe.id = ((recent.key >> 0) & 1023)
WHERE (recent.key >> 10) >= %(first)s::BIGINT AND (recent.key >> 10) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id, ((recent.key >> 10) * 900 - %(start)s::BIGINT) / %(seconds)s::BIGINT
"""
