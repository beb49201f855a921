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
ADD_PROBE: Final = """\
INSERT INTO probe (id, name, scale) VALUES (%(id)s::BIGINT, %(name)s::VARCHAR, %(scale)s::VARCHAR)
"""
RESCALE: Final = """\
UPDATE probe SET scale=%(spelled)s::VARCHAR WHERE probe.id = %(id)s::BIGINT
"""
FIRST_KEY: Final = """\
SELECT min(reading.key) AS min_1
FROM reading
"""
LAST_KEY: Final = """\
SELECT max(reading.key) AS max_1
FROM reading
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
READINGS_OF_FEW: Final = """\
SELECT reading.key, reading.t, reading.h
FROM reading
WHERE reading.key >= %(first)s::BIGINT AND reading.key < %(end)s::BIGINT AND (reading.key & 1023) BETWEEN %(low)s::BIGINT AND %(high)s::BIGINT
"""
NUMBERS: Final = """\
SELECT DISTINCT reading.key & 1023 AS anon_1
FROM reading
WHERE reading.key >= %(first)s::BIGINT AND reading.key < %(end)s::BIGINT
"""
READING_AT: Final = """\
SELECT reading.key
FROM reading
WHERE reading.key = %(key)s::BIGINT
"""
NEXT_READING: Final = """\
SELECT min(reading.key) AS min_1
FROM reading
WHERE reading.key >= %(first)s::BIGINT
"""
DELETE_READINGS: Final = """\
DELETE FROM reading WHERE reading.key >= %(first)s::BIGINT AND reading.key < %(end)s::BIGINT
"""
NEWEST: Final = """\
SELECT reading.key, reading.t, reading.h
FROM reading
WHERE reading.key IN (SELECT max(reading.key) AS max_1
FROM reading
WHERE reading.key >= %(first)s::BIGINT AND reading.key <= %(newest)s::BIGINT GROUP BY reading.key & 1023)
"""
NEWEST_LATE: Final = """\
SELECT reading.key, reading.t, reading.h
FROM reading
WHERE reading.key IN (SELECT late.key
FROM late
WHERE late.seq IN (SELECT max(late.seq) AS max_1
FROM late
WHERE late.after_key = %(newest)s::BIGINT GROUP BY late.key & 1023))
"""
ADD_LATE: Final = """\
INSERT INTO late (key, after_key, flag, tests) VALUES (%(key)s::BIGINT, %(after_key)s::BIGINT, %(flag)s::BIGINT, %(tests)s::VARCHAR) RETURNING late.seq
"""
LATE: Final = """\
SELECT late.key, late.flag, late.tests
FROM late
WHERE late.key >= %(first)s::BIGINT AND late.key < %(end)s::BIGINT
"""
LATE_KEYS: Final = """\
SELECT late.key
FROM late
WHERE late.key >= %(first)s::BIGINT AND late.key < %(end)s::BIGINT
"""
LATE_AFTER: Final = """\
SELECT late.after_key, late.seq, late.key
FROM late
WHERE late.after_key >= %(first)s::BIGINT AND late.after_key < %(end)s::BIGINT ORDER BY late.after_key, late.seq
"""
NEXT_LATE: Final = """\
SELECT min(late.after_key) AS min_1
FROM late
WHERE late.after_key >= %(first)s::BIGINT
"""
PLACE_OF_LATE: Final = """\
SELECT late.after_key, late.seq
FROM late
WHERE late.key = %(key)s::BIGINT
"""
LAST_LATE: Final = """\
SELECT late.key, late.after_key
FROM late ORDER BY late.seq DESC
 LIMIT 1
"""
PUT_VERDICT: Final = """\
INSERT INTO verdict (key, stop, flag, tests) VALUES (%(key)s::BIGINT, %(stop)s::BIGINT, %(flag)s::BIGINT, %(tests)s::VARCHAR) ON CONFLICT (key) DO UPDATE SET stop = excluded.stop, flag = excluded.flag, tests = excluded.tests
"""
LENGTHEN_VERDICT: Final = """\
UPDATE verdict SET stop=%(until)s::BIGINT WHERE verdict.key = %(key)s::BIGINT
"""
DELETE_VERDICT: Final = """\
DELETE FROM verdict WHERE verdict.key = %(key)s::BIGINT
"""
VERDICTS: Final = """\
SELECT verdict.key, verdict.stop, verdict.flag, verdict.tests
FROM verdict
WHERE verdict.key >= %(first)s::BIGINT AND verdict.key < %(end)s::BIGINT AND verdict.stop >= %(start)s::BIGINT ORDER BY verdict.key
"""
VERDICTS_OVER: Final = """\
SELECT verdict.key, verdict.stop, verdict.flag, verdict.tests
FROM verdict
WHERE verdict.key >= %(first)s::BIGINT AND verdict.key <= %(last)s::BIGINT AND verdict.stop >= %(start)s::BIGINT AND (verdict.key & 1023) = %(number)s::BIGINT
"""
PUT_EXCLUSION: Final = """\
INSERT INTO exclusion (probe_id, start, stop, flag, tests) VALUES (%(probe_id)s::BIGINT, %(start)s::BIGINT, %(stop)s::BIGINT, %(flag)s::BIGINT, %(tests)s::VARCHAR) ON CONFLICT (probe_id, start, stop) DO UPDATE SET flag = excluded.flag, tests = excluded.tests
"""
EXCLUSIONS: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.start < %(end)s::BIGINT AND exclusion.stop >= %(start)s::BIGINT
"""
EXCLUSIONS_OVER: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.probe_id = %(probe_id)s::BIGINT AND exclusion.start <= %(last)s::BIGINT AND exclusion.stop >= %(first)s::BIGINT
"""
EXCLUSIONS_FROM: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.start >= %(since)s::BIGINT
"""
DELETE_EXCLUSION: Final = """\
DELETE FROM exclusion WHERE exclusion.probe_id = %(probe_id)s::BIGINT AND exclusion.start = %(start)s::BIGINT AND exclusion.stop = %(stop)s::BIGINT
"""
SUSPECTS: Final = """\
SELECT verdict.key, verdict.stop, verdict.tests
FROM verdict
WHERE verdict.flag = 3 AND verdict.key <= %(last)s::BIGINT UNION ALL SELECT late.key, late.key >> 10 AS anon_1, late.tests
FROM late
WHERE late.flag = 3 AND late.key <= %(last)s::BIGINT UNION ALL SELECT (exclusion.start << 10) | exclusion.probe_id AS anon_2, exclusion.stop, exclusion.tests
FROM exclusion
WHERE exclusion.flag = 3 AND exclusion.start <= (%(last)s::BIGINT >> 10) ORDER BY key DESC
 LIMIT %(most)s::BIGINT
"""
CHUNK_ENDS: Final = """\
SELECT (SELECT min(chunk.key) AS min_1
FROM chunk) AS oldest, (SELECT max(chunk.key) AS max_1
FROM chunk) AS newest
"""
CHUNKS: Final = """\
SELECT chunk.key, chunk.n, chunk.data
FROM chunk
WHERE chunk.key IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_array_elements_text(%(keys)s::VARCHAR::json) AS anon_1) ORDER BY chunk.key
"""
CHUNK: Final = """\
SELECT chunk.key, chunk.n, chunk.data
FROM chunk
WHERE chunk.key = %(key)s::BIGINT
"""
CHUNK_KEYS: Final = """\
SELECT chunk.key
FROM chunk
WHERE chunk.key >= %(first)s::BIGINT AND chunk.key < %(end)s::BIGINT ORDER BY chunk.key
"""
CHUNK_KEYS_AMONG: Final = """\
SELECT chunk.key
FROM chunk
WHERE chunk.key IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_array_elements_text(%(keys)s::VARCHAR::json) AS anon_1)
"""
CHUNK_KEYS_OF: Final = """\
SELECT chunk.key
FROM chunk
WHERE (chunk.key & 1023) = %(number)s::BIGINT
"""
NEXT_CHUNK: Final = """\
SELECT min(chunk.key) AS min_1
FROM chunk
WHERE chunk.key >= %(first)s::BIGINT
"""
BLOCKS: Final = """\
SELECT DISTINCT chunk.key >> 10 AS anon_1
FROM chunk
WHERE chunk.key >= %(first)s::BIGINT AND chunk.key < %(end)s::BIGINT ORDER BY chunk.key >> 10
"""
PUT_CHUNK: Final = """\
INSERT INTO chunk (key, n, data) VALUES (%(key)s::BIGINT, %(n)s::BIGINT, %(data)s) ON CONFLICT (key) DO UPDATE SET n = excluded.n, data = excluded.data
"""
DELETE_CHUNK: Final = """\
DELETE FROM chunk WHERE chunk.key = %(key)s::BIGINT
"""
SET_ASIDE: Final = """\
INSERT INTO damaged (key, n, data) SELECT chunk.key, chunk.n, chunk.data
FROM chunk
WHERE chunk.key = %(key)s::BIGINT ON CONFLICT (key) DO UPDATE SET n = excluded.n, data = excluded.data
"""
DAMAGED_KEYS: Final = """\
SELECT damaged.key
FROM damaged
"""
DELETE_DAMAGED: Final = """\
DELETE FROM damaged WHERE damaged.key = %(key)s::BIGINT
"""
DAMAGED: Final = """\
SELECT damaged.key, damaged.n, probe.name
FROM damaged LEFT OUTER JOIN probe ON probe.id = (damaged.key & 1023)
"""
UNREADABLE: Final = """\
SELECT chunk.key, chunk.n, probe.name
FROM chunk LEFT OUTER JOIN probe ON probe.id = (chunk.key & 1023)
WHERE chunk.key IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_array_elements_text(%(keys)s::VARCHAR::json) AS anon_1)
"""
COVERED: Final = """\
SELECT covered.rolled, covered.until
FROM covered
"""
COVER: Final = """\
UPDATE covered SET until=%(quarter)s::BIGINT
"""
ROLL: Final = """\
UPDATE covered SET rolled=%(quarter)s::BIGINT
"""
UNCOVER: Final = """\
UPDATE covered SET rolled=least(covered.rolled, %(quarter)s::BIGINT), until=least(covered.until, %(quarter)s::BIGINT)
"""
PUT_QUARTER: Final = {
    "recent": """\
INSERT INTO recent (key, n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (%(key)s::BIGINT, %(n)s::BIGINT, %(watched)s::BIGINT, %(t_min)s::BIGINT, %(t_range)s::BIGINT, %(t_over)s::BIGINT, %(h_min)s::BIGINT, %(h_range)s::BIGINT, %(h_over)s::BIGINT, %(t_driest)s::BIGINT, %(h_at)s::BIGINT, %(t_at)s::BIGINT, %(humid)s::BIGINT, %(heat)s::BIGINT, %(dose)s::BIGINT, %(t_only)s::BIGINT) ON CONFLICT (key) DO UPDATE SET n = excluded.n, watched = excluded.watched, t_min = excluded.t_min, t_range = excluded.t_range, t_over = excluded.t_over, h_min = excluded.h_min, h_range = excluded.h_range, h_over = excluded.h_over, t_driest = excluded.t_driest, h_at = excluded.h_at, t_at = excluded.t_at, humid = excluded.humid, heat = excluded.heat, dose = excluded.dose, t_only = excluded.t_only
""",
    "rollup": """\
INSERT INTO rollup (key, n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (%(key)s::BIGINT, %(n)s::BIGINT, %(watched)s::BIGINT, %(t_min)s::BIGINT, %(t_range)s::BIGINT, %(t_over)s::BIGINT, %(h_min)s::BIGINT, %(h_range)s::BIGINT, %(h_over)s::BIGINT, %(t_driest)s::BIGINT, %(h_at)s::BIGINT, %(t_at)s::BIGINT, %(humid)s::BIGINT, %(heat)s::BIGINT, %(dose)s::BIGINT, %(t_only)s::BIGINT) ON CONFLICT (key) DO UPDATE SET n = excluded.n, watched = excluded.watched, t_min = excluded.t_min, t_range = excluded.t_range, t_over = excluded.t_over, h_min = excluded.h_min, h_range = excluded.h_range, h_over = excluded.h_over, t_driest = excluded.t_driest, h_at = excluded.h_at, t_at = excluded.t_at, humid = excluded.humid, heat = excluded.heat, dose = excluded.dose, t_only = excluded.t_only
""",
}
KEEP_QUARTER: Final = {
    "recent": """\
INSERT INTO recent (key, n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (%(key)s::BIGINT, %(n)s::BIGINT, %(watched)s::BIGINT, %(t_min)s::BIGINT, %(t_range)s::BIGINT, %(t_over)s::BIGINT, %(h_min)s::BIGINT, %(h_range)s::BIGINT, %(h_over)s::BIGINT, %(t_driest)s::BIGINT, %(h_at)s::BIGINT, %(t_at)s::BIGINT, %(humid)s::BIGINT, %(heat)s::BIGINT, %(dose)s::BIGINT, %(t_only)s::BIGINT) ON CONFLICT (key) DO NOTHING
""",
    "rollup": """\
INSERT INTO rollup (key, n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (%(key)s::BIGINT, %(n)s::BIGINT, %(watched)s::BIGINT, %(t_min)s::BIGINT, %(t_range)s::BIGINT, %(t_over)s::BIGINT, %(h_min)s::BIGINT, %(h_range)s::BIGINT, %(h_over)s::BIGINT, %(t_driest)s::BIGINT, %(h_at)s::BIGINT, %(t_at)s::BIGINT, %(humid)s::BIGINT, %(heat)s::BIGINT, %(dose)s::BIGINT, %(t_only)s::BIGINT) ON CONFLICT (key) DO NOTHING
""",
}
SUMS: Final = {
    "recent": """\
SELECT probe.id, sum(recent.n) AS sum_1, sum(recent.watched) AS sum_2, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) AS sum_3, sum(recent.n * recent.h_min + recent.h_over) AS sum_4, min(((CASE WHEN (recent.n > 0) THEN recent.h_min END << 47) | ((recent.key >> 10) * 900 + (recent.h_at & 1023) << 16)) | recent.t_min + recent.t_driest) AS min_1, max((CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END << 31) | 2147483647 - ((recent.key >> 10) * 900 + (recent.h_at >> 10))) AS max_1, min((recent.t_min << 31) | (recent.key >> 10) * 900 + (recent.t_at & 1023)) AS min_2, max((recent.t_min + recent.t_range << 31) | 2147483647 - ((recent.key >> 10) * 900 + (recent.t_at >> 10))) AS max_2, sum(recent.humid & 4095) AS sum_5, sum((recent.humid >> 12) & 4095) AS sum_6, sum((recent.humid >> 24) & 4095) AS sum_7, sum(recent.humid >> 36) AS sum_8, sum(recent.heat & 4095) AS sum_9, sum(recent.heat >> 12) AS sum_10, sum(recent.dose) AS sum_11, sum(recent.t_only & 4095) AS sum_12, sum(recent.t_only >> 12) AS sum_13
FROM recent JOIN probe ON probe.id = ((recent.key >> 0) & 1023)
WHERE (recent.key >> 10) >= %(first)s::BIGINT AND (recent.key >> 10) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id
""",
    "rollup": """\
SELECT probe.id, sum(rollup.n) AS sum_1, sum(rollup.watched) AS sum_2, sum((rollup.n + (rollup.t_only >> 12)) * rollup.t_min + rollup.t_over) AS sum_3, sum(rollup.n * rollup.h_min + rollup.h_over) AS sum_4, min(((CASE WHEN (rollup.n > 0) THEN rollup.h_min END << 47) | (((rollup.key >> 17) * 96 + (rollup.key & 127)) * 900 + (rollup.h_at & 1023) << 16)) | rollup.t_min + rollup.t_driest) AS min_1, max((CASE WHEN (rollup.n > 0) THEN rollup.h_min + rollup.h_range END << 31) | 2147483647 - (((rollup.key >> 17) * 96 + (rollup.key & 127)) * 900 + (rollup.h_at >> 10))) AS max_1, min((rollup.t_min << 31) | ((rollup.key >> 17) * 96 + (rollup.key & 127)) * 900 + (rollup.t_at & 1023)) AS min_2, max((rollup.t_min + rollup.t_range << 31) | 2147483647 - (((rollup.key >> 17) * 96 + (rollup.key & 127)) * 900 + (rollup.t_at >> 10))) AS max_2, sum(rollup.humid & 4095) AS sum_5, sum((rollup.humid >> 12) & 4095) AS sum_6, sum((rollup.humid >> 24) & 4095) AS sum_7, sum(rollup.humid >> 36) AS sum_8, sum(rollup.heat & 4095) AS sum_9, sum(rollup.heat >> 12) AS sum_10, sum(rollup.dose) AS sum_11, sum(rollup.t_only & 4095) AS sum_12, sum(rollup.t_only >> 12) AS sum_13
FROM rollup JOIN probe ON probe.id = ((rollup.key >> 7) & 1023)
WHERE (rollup.key >> 17) * 96 + (rollup.key & 127) >= %(first)s::BIGINT AND (rollup.key >> 17) * 96 + (rollup.key & 127) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id
""",
}
SLICES: Final = {
    "recent": """\
SELECT probe.id, min(recent.key >> 10) AS min_1, sum(recent.n) AS sum_1, min(recent.t_min) AS min_2, max(recent.t_min + recent.t_range) - min(recent.t_min) AS anon_1, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) - (sum(recent.n) + sum(recent.t_only >> 12)) * min(recent.t_min) AS anon_2, min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS min_3, max(CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END) - min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_3, sum(recent.n * recent.h_min + recent.h_over) - sum(recent.n) * min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_4, sum(recent.watched) AS sum_2, sum(recent.t_only >> 12) AS sum_3, sum(greatest(((recent.humid >> 24) & 4095) + (recent.humid >> 36), (recent.heat & 4095) + (recent.heat >> 12))) AS sum_4
FROM recent JOIN probe ON probe.id = ((recent.key >> 0) & 1023)
WHERE (recent.key >> 10) >= %(first)s::BIGINT AND (recent.key >> 10) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id, ((recent.key >> 10) * 900 - %(start)s::BIGINT) / %(seconds)s::BIGINT
""",
    "rollup": """\
SELECT probe.id, min((rollup.key >> 17) * 96 + (rollup.key & 127)) AS min_1, sum(rollup.n) AS sum_1, min(rollup.t_min) AS min_2, max(rollup.t_min + rollup.t_range) - min(rollup.t_min) AS anon_1, sum((rollup.n + (rollup.t_only >> 12)) * rollup.t_min + rollup.t_over) - (sum(rollup.n) + sum(rollup.t_only >> 12)) * min(rollup.t_min) AS anon_2, min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS min_3, max(CASE WHEN (rollup.n > 0) THEN rollup.h_min + rollup.h_range END) - min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS anon_3, sum(rollup.n * rollup.h_min + rollup.h_over) - sum(rollup.n) * min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS anon_4, sum(rollup.watched) AS sum_2, sum(rollup.t_only >> 12) AS sum_3, sum(greatest(((rollup.humid >> 24) & 4095) + (rollup.humid >> 36), (rollup.heat & 4095) + (rollup.heat >> 12))) AS sum_4
FROM rollup JOIN probe ON probe.id = ((rollup.key >> 7) & 1023)
WHERE (rollup.key >> 17) * 96 + (rollup.key & 127) >= %(first)s::BIGINT AND (rollup.key >> 17) * 96 + (rollup.key & 127) < %(last)s::BIGINT AND (%(number)s::BIGINT IS NULL OR probe.id = %(number)s::BIGINT) GROUP BY probe.id, (((rollup.key >> 17) * 96 + (rollup.key & 127)) * 900 - %(start)s::BIGINT) / %(seconds)s::BIGINT
""",
}
DELETE_QUARTERS: Final = {
    "recent": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 1 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (%(last)s::BIGINT - %(first)s::BIGINT < 9600) THEN %(first)s::BIGINT ELSE greatest(%(first)s::BIGINT, (SELECT (min(recent.key) >> 10) * 1 AS anon_1
FROM recent)) END AS first, %(last)s::BIGINT AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 1 < stretch.last)
 DELETE FROM recent WHERE recent.key IN (SELECT recent.key
FROM probe JOIN stretch ON true JOIN recent ON recent.key >= (((stretch.s << 10) | probe.id) << 0) + greatest(stretch.first - stretch.s * 1, 0) AND recent.key < (((stretch.s << 10) | probe.id) << 0) + least(stretch.last - stretch.s * 1, 1)
WHERE probe.id IN (SELECT CAST(anon_3.value AS BIGINT) AS value
FROM json_array_elements_text(%(numbers)s::VARCHAR::json) AS anon_3) AND ((((recent.key >> 10) / 192 << 10) | probe.id) NOT IN (SELECT CAST(anon_4.value AS BIGINT) AS value
FROM json_array_elements_text(%(unreadable)s::VARCHAR::json) AS anon_4)))
""",
    "rollup": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 96 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (%(last)s::BIGINT - %(first)s::BIGINT < 9600) THEN %(first)s::BIGINT ELSE greatest(%(first)s::BIGINT, (SELECT (min(rollup.key) >> 17) * 96 AS anon_1
FROM rollup)) END AS first, %(last)s::BIGINT AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 96 < stretch.last)
 DELETE FROM rollup WHERE rollup.key IN (SELECT rollup.key
FROM probe JOIN stretch ON true JOIN rollup ON rollup.key >= (((stretch.s << 10) | probe.id) << 7) + greatest(stretch.first - stretch.s * 96, 0) AND rollup.key < (((stretch.s << 10) | probe.id) << 7) + least(stretch.last - stretch.s * 96, 96)
WHERE probe.id IN (SELECT CAST(anon_3.value AS BIGINT) AS value
FROM json_array_elements_text(%(numbers)s::VARCHAR::json) AS anon_3) AND (((((rollup.key >> 17) * 96 + (rollup.key & 127)) / 192 << 10) | probe.id) NOT IN (SELECT CAST(anon_4.value AS BIGINT) AS value
FROM json_array_elements_text(%(unreadable)s::VARCHAR::json) AS anon_4)))
""",
}
UNCOVER_QUARTERS: Final = {
    "recent": """\
DELETE FROM recent WHERE recent.key >= %(key)s::BIGINT AND (recent.key >> 10) >= %(quarter)s::BIGINT
""",
    "rollup": """\
DELETE FROM rollup WHERE rollup.key >= %(key)s::BIGINT AND (rollup.key >> 17) * 96 + (rollup.key & 127) >= %(quarter)s::BIGINT
""",
}
NEWEST_ITEM: Final = """\
SELECT coalesce(max(item.seq), 0) AS coalesce_1
FROM item
"""
LOWEST_ITEM: Final = """\
SELECT least(coalesce(min(item.seq), 0), 0) AS anon_1
FROM item
"""
ADD_ITEM: Final = """\
INSERT INTO item (seq, after_key, time, kind, word, enclosure, data, lasts) VALUES (%(seq)s::BIGINT, %(after_key)s::BIGINT, %(time)s::BIGINT, %(kind)s::VARCHAR, %(word)s::VARCHAR, %(enclosure)s::VARCHAR, %(data)s::VARCHAR, %(lasts)s::BIGINT)
"""
ITEM: Final = """\
SELECT item.data
FROM item
WHERE item.seq = %(seq)s::BIGINT
"""
ITEMS_AFTER: Final = """\
SELECT item.seq, item.after_key, item.time, item.kind, late.after_key AS anchor, late.seq AS late
FROM item LEFT OUTER JOIN late ON late.key = item.after_key
WHERE item.seq > %(seq)s::BIGINT
"""
LASTING: Final = """\
SELECT item.kind, item.data
FROM item
WHERE lasts = 1 AND item.seq > %(seq)s::BIGINT ORDER BY item.seq
"""
MARK_LASTING: Final = """\
UPDATE item SET lasts=1 WHERE item.lasts = 0 AND (item.kind = 'Command' AND item.word IN (SELECT anon_1.value
FROM json_array_elements_text(%(verbs)s::VARCHAR::json) AS anon_1) OR item.kind = 'JournalEntry' AND item.word IN (SELECT anon_2.value
FROM json_array_elements_text(%(stages)s::VARCHAR::json) AS anon_2))
"""
CALIBRATIONS: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.kind = 'Calibration' ORDER BY item.time, item.seq
"""
ENTRIES: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.kind = 'JournalEntry'
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
ADD_EVENT: Final = """\
INSERT INTO event (id, alarm, time, enclosure, data) VALUES (%(id)s::VARCHAR, %(alarm)s::VARCHAR, %(time)s::BIGINT, %(enclosure)s::VARCHAR, %(data)s::VARCHAR) ON CONFLICT (id) DO NOTHING RETURNING event.seq
"""
EVENTS: Final = """\
SELECT event.data
FROM event
WHERE event.time >= %(since)s::BIGINT AND event.time < %(until)s::BIGINT AND (%(enclosure)s::VARCHAR IS NULL OR event.enclosure = %(enclosure)s::VARCHAR) ORDER BY event.seq
"""
EVENTS_EVER: Final = """\
SELECT event.data
FROM event ORDER BY event.seq
"""
PUT_ALARM: Final = """\
INSERT INTO alarm (alarm, state, raised, data) VALUES (%(alarm)s::VARCHAR, %(state)s::VARCHAR, %(raised)s::BIGINT, %(data)s::VARCHAR) ON CONFLICT (alarm) DO UPDATE SET state = excluded.state, raised = excluded.raised, data = excluded.data
"""
ALARM: Final = """\
SELECT alarm.data
FROM alarm
WHERE alarm.alarm = %(alarm)s::VARCHAR
"""
ALARMS: Final = """\
SELECT alarm.alarm
FROM alarm
"""
STANDING: Final = """\
SELECT alarm.data
FROM alarm
WHERE state != 'normal' ORDER BY alarm.raised
"""
ADD_MESSAGE: Final = """\
INSERT INTO message (id, state, person, channel, priority, not_before, next_try, attempts, last_error, created, sent, data) VALUES (%(id)s::VARCHAR, %(state)s::VARCHAR, %(person)s::VARCHAR, %(channel)s::VARCHAR, %(priority)s::VARCHAR, %(not_before)s::BIGINT, %(next_try)s::BIGINT, %(attempts)s::BIGINT, %(last_error)s::VARCHAR, %(created)s::BIGINT, %(sent)s::BIGINT, %(data)s::VARCHAR) ON CONFLICT (id) DO NOTHING RETURNING message.seq
"""
DELIVER: Final = """\
UPDATE message SET state=%(became)s::VARCHAR, next_try=%(next)s::BIGINT, attempts=greatest(message.attempts, %(tries)s::BIGINT), last_error=%(error)s::VARCHAR, sent=%(at)s::BIGINT WHERE message.id = %(id)s::VARCHAR AND state = 'pending'
"""
MESSAGES: Final = """\
SELECT message.id, message.data, message.state, message.attempts, message.next_try, message.last_error, message.sent
FROM message
WHERE message.created >= %(since)s::BIGINT ORDER BY message.seq
"""
MESSAGES_DUE: Final = """\
SELECT message.id, message.data, message.state, message.attempts, message.next_try, message.last_error, message.sent
FROM message
WHERE message.seq IN (SELECT ranked.seq
FROM (SELECT message.seq AS seq, row_number() OVER (PARTITION BY message.channel, message.person ORDER BY message.priority != 'urgent', message.seq) AS place
FROM message
WHERE state = 'pending' AND message.next_try <= %(elapsed)s::BIGINT AND (message.not_before <= %(now)s::BIGINT OR message.not_before > %(now)s::BIGINT + 90000) AND (%(channels)s::VARCHAR IS NULL OR message.channel IN (SELECT anon_1.value
FROM json_array_elements_text(%(channels)s::VARCHAR::json) AS anon_1))) AS ranked
WHERE ranked.place <= 500) ORDER BY message.seq
"""
SECONDS_TO_DUE: Final = """\
SELECT min(waits.wait) AS min_1
FROM (SELECT greatest(message.next_try - %(elapsed)s::BIGINT, CASE WHEN (message.not_before > %(now)s::BIGINT + 90000) THEN 0 ELSE message.not_before - %(now)s::BIGINT END) AS wait
FROM message
WHERE state = 'pending') AS waits
WHERE waits.wait > 0
"""
WAITING: Final = """\
SELECT message.person, message.channel, message.last_error
FROM message
WHERE state = 'pending' ORDER BY message.seq + 0
"""
NOTE: Final = """\
SELECT note.value
FROM note
WHERE note.name = %(name)s::VARCHAR
"""
NOTES: Final = """\
SELECT note.name, note.value
FROM note
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
PUT_NOTE: Final = """\
INSERT INTO note (name, value) VALUES (%(name)s::VARCHAR, %(value)s::VARCHAR) ON CONFLICT (name) DO UPDATE SET value = excluded.value
"""
DELETE_NOTE: Final = """\
DELETE FROM note WHERE note.name = %(name)s::VARCHAR
"""
SNAPSHOTS: Final = """\
SELECT snapshot.id, snapshot.time, snapshot.data
FROM snapshot ORDER BY snapshot.id DESC
"""
SNAPSHOT_PLACE: Final = """\
SELECT snapshot.after_key, snapshot.after_item
FROM snapshot
WHERE snapshot.id = %(id)s::BIGINT
"""
OLDEST_PLACE: Final = """\
SELECT min(snapshot.after_key) AS min_1
FROM snapshot
"""
DELETE_OLD_SNAPSHOTS: Final = """\
DELETE FROM snapshot WHERE (snapshot.id NOT IN (SELECT max(snapshot.id) AS max_1
FROM snapshot))
"""
ADD_SNAPSHOT: Final = """\
INSERT INTO snapshot (time, after_key, after_item, data) VALUES (%(time)s::BIGINT, %(after_key)s::BIGINT, %(after_item)s::BIGINT, %(data)s) RETURNING snapshot.id
"""
LIFT: Final = {
    "verdict": """\
UPDATE verdict SET key=(-(verdict.key + %(shift)s::BIGINT)) WHERE verdict.key >= %(first)s::BIGINT
""",
    "late": """\
UPDATE late SET key=(-(late.key + %(shift)s::BIGINT)) WHERE late.key >= %(first)s::BIGINT
""",
}
LIFTED: Final = {
    "verdict": """\
SELECT -verdict.key
FROM verdict
WHERE verdict.key < 0 ORDER BY verdict.key DESC
""",
    "late": """\
SELECT -late.key
FROM late
WHERE late.key < 0 ORDER BY late.key DESC
""",
}
TAKEN: Final = {
    "verdict": """\
SELECT verdict.key
FROM verdict
WHERE verdict.key = %(key)s::BIGINT
""",
    "late": """\
SELECT late.key
FROM late
WHERE late.key = %(key)s::BIGINT
""",
}
LAND: Final = {
    "verdict": """\
UPDATE verdict SET key=%(free)s::BIGINT WHERE verdict.key = %(lifted)s::BIGINT
""",
    "late": """\
UPDATE late SET key=%(free)s::BIGINT WHERE late.key = %(lifted)s::BIGINT
""",
}
MOVE_ENDS: Final = """\
UPDATE verdict SET stop=(verdict.stop + %(step)s::BIGINT) WHERE verdict.stop >= %(since)s::BIGINT
"""
MOVE_PLACES: Final = {
    "late": """\
UPDATE late SET after_key=(late.after_key + %(shift)s::BIGINT) WHERE late.after_key >= %(first)s::BIGINT
""",
    "item": """\
UPDATE item SET after_key=(item.after_key + %(shift)s::BIGINT) WHERE item.after_key >= %(first)s::BIGINT
""",
    "snapshot": """\
UPDATE snapshot SET after_key=(snapshot.after_key + %(shift)s::BIGINT) WHERE snapshot.after_key >= %(first)s::BIGINT
""",
}
NEAR_PLACES: Final = {
    "late": """\
UPDATE late SET after_key=%(near)s::BIGINT WHERE late.after_key >= %(first)s::BIGINT
""",
    "item": """\
UPDATE item SET after_key=%(near)s::BIGINT WHERE item.after_key >= %(first)s::BIGINT
""",
    "snapshot": """\
UPDATE snapshot SET after_key=%(near)s::BIGINT WHERE snapshot.after_key >= %(first)s::BIGINT
""",
}
DELETE_EXCLUSIONS_FROM: Final = """\
DELETE FROM exclusion WHERE exclusion.start >= %(since)s::BIGINT
"""
ITEMS_FROM: Final = """\
SELECT item.seq, item.kind, item.data
FROM item
WHERE item.seq > 0 AND item.seq >= (SELECT min(item.seq) AS min_1
FROM item
WHERE item.time >= %(since)s::BIGINT AND item.seq > 0) ORDER BY item.seq
"""
DATE_ITEM: Final = """\
UPDATE item SET after_key=greatest(item.after_key, %(place)s::BIGINT), time=%(at)s::BIGINT, data=%(text)s::VARCHAR WHERE item.seq = %(seq)s::BIGINT
"""
EVENTS_FROM: Final = """\
SELECT event.seq, event.data
FROM event
WHERE event.time >= %(since)s::BIGINT
"""
DATE_EVENT: Final = """\
UPDATE event SET time=%(at)s::BIGINT, data=%(text)s::VARCHAR WHERE event.seq = %(seq)s::BIGINT
"""
ALARMS_FROM: Final = """\
SELECT alarm.alarm, alarm.data
FROM alarm
WHERE alarm.raised >= %(since)s::BIGINT
"""
DATE_ALARM: Final = """\
UPDATE alarm SET raised=%(at)s::BIGINT, data=%(text)s::VARCHAR WHERE alarm.alarm = %(name)s::VARCHAR
"""
NEXT_RECORD: Final = """\
SELECT min(item.time) AS min_1
FROM item
WHERE item.kind = 'Calibration' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_2
FROM item
WHERE item.kind = 'Command' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_3
FROM item
WHERE item.kind = 'JournalEntry' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_4
FROM item
WHERE item.kind = 'Learned' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_5
FROM item
WHERE item.kind = 'Rebase' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_6
FROM item
WHERE item.kind = 'Settings' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(item.time) AS min_7
FROM item
WHERE item.kind = 'SystemReport' AND item.time >= %(at)s::BIGINT UNION ALL SELECT min(event.time) AS min_8
FROM event
WHERE event.time >= %(at)s::BIGINT UNION ALL SELECT min(alarm.raised) AS min_9
FROM alarm
WHERE alarm.raised >= %(at)s::BIGINT
"""
ITEMS_BELOW: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.seq < %(low)s::BIGINT ORDER BY item.seq DESC
 LIMIT %(most)s::BIGINT
"""
ITEMS_ABOVE: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.seq > %(high)s::BIGINT ORDER BY item.seq
 LIMIT %(most)s::BIGINT
"""
ITEMS_BETWEEN: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.kind IN ('Calibration', 'Command', 'JournalEntry', 'Learned', 'Rebase', 'Settings', 'SystemReport') AND item.time >= %(first)s::BIGINT AND item.time < %(end)s::BIGINT ORDER BY item.seq
"""
EVENTS_ABOVE: Final = """\
SELECT event.seq, event.time, event.id, 'event' AS kind, event.data
FROM event
WHERE event.seq > %(high)s::BIGINT ORDER BY event.seq
 LIMIT %(most)s::BIGINT
"""
EVENTS_BETWEEN: Final = """\
SELECT event.seq, event.time, event.id, 'event' AS kind, event.data
FROM event
WHERE event.time >= %(first)s::BIGINT AND event.time < %(end)s::BIGINT ORDER BY event.seq
"""
ALARMS_OF: Final = """\
SELECT 0 AS seq, alarm.raised, alarm.alarm, alarm.state, alarm.data
FROM alarm
WHERE alarm.alarm IN (SELECT anon_1.value
FROM json_array_elements_text(%(names)s::VARCHAR::json) AS anon_1) ORDER BY alarm.alarm
"""
ALARMS_BETWEEN: Final = """\
SELECT 0 AS seq, alarm.raised, alarm.alarm, alarm.state, alarm.data
FROM alarm
WHERE alarm.raised >= %(first)s::BIGINT AND alarm.raised < %(end)s::BIGINT ORDER BY alarm.alarm
"""
CHUNK_NUMBERS: Final = """\
SELECT chunk.key & 1023 AS anon_1
FROM chunk
WHERE chunk.key >= %(first)s::BIGINT
"""
