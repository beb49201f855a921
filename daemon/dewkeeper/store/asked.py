"""What `questions` comes to in SQLite's SQL. Written by `python -m dewkeeper.store.compile`: change it there, not here."""

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
WHERE probe.name = :name
"""
ADD_PROBE: Final = """\
INSERT INTO probe (id, name, scale) VALUES (:id, :name, :scale)
"""
RESCALE: Final = """\
UPDATE probe SET scale=:spelled WHERE probe.id = :id
"""
FIRST_KEY: Final = """\
SELECT min(reading."key") AS min_1
FROM reading
"""
LAST_KEY: Final = """\
SELECT max(reading."key") AS max_1
FROM reading
"""
READINGS: Final = """\
SELECT reading."key", reading.t, reading.h
FROM reading
WHERE reading."key" >= :first AND reading."key" < :end ORDER BY reading."key"
"""
READINGS_OF: Final = """\
SELECT reading."key", reading.t, reading.h
FROM reading
WHERE reading."key" >= :first AND reading."key" < :end AND (reading."key" & 1023) = :number
"""
READINGS_OF_FEW: Final = """\
SELECT reading."key", reading.t, reading.h
FROM reading
WHERE reading."key" >= :first AND reading."key" < :end AND (reading."key" & 1023) BETWEEN :low AND :high
"""
NUMBERS: Final = """\
SELECT DISTINCT reading."key" & 1023 AS anon_1
FROM reading
WHERE reading."key" >= :first AND reading."key" < :end
"""
READING_AT: Final = """\
SELECT reading."key"
FROM reading
WHERE reading."key" = :key
"""
NEXT_READING: Final = """\
SELECT min(reading."key") AS min_1
FROM reading
WHERE reading."key" >= :first
"""
DELETE_READINGS: Final = """\
DELETE FROM reading WHERE reading."key" >= :first AND reading."key" < :end
"""
NEWEST: Final = """\
SELECT reading."key", reading.t, reading.h
FROM reading
WHERE reading."key" IN (SELECT max(reading."key") AS max_1
FROM reading
WHERE reading."key" >= :first AND reading."key" <= :newest GROUP BY reading."key" & 1023)
"""
NEWEST_LATE: Final = """\
SELECT reading."key", reading.t, reading.h
FROM reading
WHERE reading."key" IN (SELECT late."key"
FROM late
WHERE late.seq IN (SELECT max(late.seq) AS max_1
FROM late
WHERE late.after_key = :newest GROUP BY late."key" & 1023))
"""
ADD_LATE: Final = """\
INSERT INTO late ("key", after_key, flag, tests) VALUES (:key, :after_key, :flag, :tests)
"""
LATE: Final = """\
SELECT late."key", late.flag, late.tests
FROM late
WHERE late."key" >= :first AND late."key" < :end
"""
LATE_KEYS: Final = """\
SELECT late."key"
FROM late
WHERE late."key" >= :first AND late."key" < :end
"""
LATE_AFTER: Final = """\
SELECT late.after_key, late.seq, late."key"
FROM late
WHERE late.after_key >= :first AND late.after_key < :end ORDER BY late.after_key, late.seq
"""
NEXT_LATE: Final = """\
SELECT min(late.after_key) AS min_1
FROM late
WHERE late.after_key >= :first
"""
PLACE_OF_LATE: Final = """\
SELECT late.after_key, late.seq
FROM late
WHERE late."key" = :key
"""
LAST_LATE: Final = """\
SELECT late."key", late.after_key
FROM late ORDER BY late.seq DESC
 LIMIT 1 OFFSET 0
"""
PUT_VERDICT: Final = """\
INSERT INTO verdict ("key", stop, flag, tests) VALUES (:key, :stop, :flag, :tests) ON CONFLICT ("key") DO UPDATE SET stop = excluded.stop, flag = excluded.flag, tests = excluded.tests
"""
LENGTHEN_VERDICT: Final = """\
UPDATE verdict SET stop=:until WHERE verdict."key" = :key
"""
DELETE_VERDICT: Final = """\
DELETE FROM verdict WHERE verdict."key" = :key
"""
VERDICTS: Final = """\
SELECT verdict."key", verdict.stop, verdict.flag, verdict.tests
FROM verdict
WHERE verdict."key" >= :first AND verdict."key" < :end AND verdict.stop >= :start ORDER BY verdict."key"
"""
VERDICTS_OVER: Final = """\
SELECT verdict."key", verdict.stop, verdict.flag, verdict.tests
FROM verdict
WHERE verdict."key" >= :first AND verdict."key" <= :last AND verdict.stop >= :start AND (verdict."key" & 1023) = :number
"""
PUT_EXCLUSION: Final = """\
INSERT INTO exclusion (probe_id, start, stop, flag, tests) VALUES (:probe_id, :start, :stop, :flag, :tests) ON CONFLICT (probe_id, start, stop) DO UPDATE SET flag = excluded.flag, tests = excluded.tests
"""
EXCLUSIONS: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.start < :end AND exclusion.stop >= :start
"""
EXCLUSIONS_OVER: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.probe_id = :probe_id AND exclusion.start <= :last AND exclusion.stop >= :first
"""
EXCLUSIONS_FROM: Final = """\
SELECT exclusion.probe_id, exclusion.start, exclusion.stop, exclusion.flag, exclusion.tests
FROM exclusion
WHERE exclusion.start >= :since
"""
DELETE_EXCLUSION: Final = """\
DELETE FROM exclusion WHERE exclusion.probe_id = :probe_id AND exclusion.start = :start AND exclusion.stop = :stop
"""
SUSPECTS: Final = """\
SELECT verdict."key", verdict.stop, verdict.tests
FROM verdict
WHERE verdict.flag = 3 AND verdict."key" <= :last UNION ALL SELECT late."key", late."key" >> 10 AS anon_1, late.tests
FROM late
WHERE late.flag = 3 AND late."key" <= :last UNION ALL SELECT (exclusion.start << 10) | exclusion.probe_id AS anon_2, exclusion.stop, exclusion.tests
FROM exclusion
WHERE exclusion.flag = 3 AND exclusion.start <= (:last >> 10) ORDER BY "key" DESC
 LIMIT :most OFFSET 0
"""
CHUNK_ENDS: Final = """\
SELECT (SELECT min(chunk."key") AS min_1
FROM chunk) AS oldest, (SELECT max(chunk."key") AS max_1
FROM chunk) AS newest
"""
CHUNKS: Final = """\
SELECT chunk."key", chunk.n, chunk.data
FROM chunk
WHERE chunk."key" IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_each(:keys) AS anon_1) ORDER BY chunk."key"
"""
CHUNK: Final = """\
SELECT chunk."key", chunk.n, chunk.data
FROM chunk
WHERE chunk."key" = :key
"""
CHUNK_KEYS: Final = """\
SELECT chunk."key"
FROM chunk
WHERE chunk."key" >= :first AND chunk."key" < :end ORDER BY chunk."key"
"""
CHUNK_KEYS_AMONG: Final = """\
SELECT chunk."key"
FROM chunk
WHERE chunk."key" IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_each(:keys) AS anon_1)
"""
CHUNK_KEYS_OF: Final = """\
SELECT chunk."key"
FROM chunk
WHERE (chunk."key" & 1023) = :number
"""
NEXT_CHUNK: Final = """\
SELECT min(chunk."key") AS min_1
FROM chunk
WHERE chunk."key" >= :first
"""
BLOCKS: Final = """\
SELECT DISTINCT chunk."key" >> 10 AS anon_1
FROM chunk
WHERE chunk."key" >= :first AND chunk."key" < :end ORDER BY chunk."key" >> 10
"""
PUT_CHUNK: Final = """\
INSERT INTO chunk ("key", n, data) VALUES (:key, :n, :data) ON CONFLICT ("key") DO UPDATE SET n = excluded.n, data = excluded.data
"""
DELETE_CHUNK: Final = """\
DELETE FROM chunk WHERE chunk."key" = :key
"""
SET_ASIDE: Final = """\
INSERT INTO damaged ("key", n, data) SELECT chunk."key", chunk.n, chunk.data
FROM chunk
WHERE chunk."key" = :key ON CONFLICT ("key") DO UPDATE SET n = excluded.n, data = excluded.data
"""
DAMAGED_KEYS: Final = """\
SELECT damaged."key"
FROM damaged
"""
DELETE_DAMAGED: Final = """\
DELETE FROM damaged WHERE damaged."key" = :key
"""
DAMAGED: Final = """\
SELECT damaged."key", damaged.n, probe.name
FROM damaged LEFT OUTER JOIN probe ON probe.id = (damaged."key" & 1023)
"""
UNREADABLE: Final = """\
SELECT chunk."key", chunk.n, probe.name
FROM chunk LEFT OUTER JOIN probe ON probe.id = (chunk."key" & 1023)
WHERE chunk."key" IN (SELECT CAST(anon_1.value AS BIGINT) AS value
FROM json_each(:keys) AS anon_1)
"""
COVERED: Final = """\
SELECT covered.rolled, covered.until
FROM covered
"""
COVER: Final = """\
UPDATE covered SET until=:quarter
"""
ROLL: Final = """\
UPDATE covered SET rolled=:quarter
"""
UNCOVER: Final = """\
UPDATE covered SET rolled=min(covered.rolled, :quarter), until=min(covered.until, :quarter)
"""
PUT_QUARTER: Final = {
    "recent": """\
INSERT INTO recent ("key", n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (:key, :n, :watched, :t_min, :t_range, :t_over, :h_min, :h_range, :h_over, :t_driest, :h_at, :t_at, :humid, :heat, :dose, :t_only) ON CONFLICT ("key") DO UPDATE SET n = excluded.n, watched = excluded.watched, t_min = excluded.t_min, t_range = excluded.t_range, t_over = excluded.t_over, h_min = excluded.h_min, h_range = excluded.h_range, h_over = excluded.h_over, t_driest = excluded.t_driest, h_at = excluded.h_at, t_at = excluded.t_at, humid = excluded.humid, heat = excluded.heat, dose = excluded.dose, t_only = excluded.t_only
""",
    "rollup": """\
INSERT INTO rollup ("key", n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (:key, :n, :watched, :t_min, :t_range, :t_over, :h_min, :h_range, :h_over, :t_driest, :h_at, :t_at, :humid, :heat, :dose, :t_only) ON CONFLICT ("key") DO UPDATE SET n = excluded.n, watched = excluded.watched, t_min = excluded.t_min, t_range = excluded.t_range, t_over = excluded.t_over, h_min = excluded.h_min, h_range = excluded.h_range, h_over = excluded.h_over, t_driest = excluded.t_driest, h_at = excluded.h_at, t_at = excluded.t_at, humid = excluded.humid, heat = excluded.heat, dose = excluded.dose, t_only = excluded.t_only
""",
}
KEEP_QUARTER: Final = {
    "recent": """\
INSERT INTO recent ("key", n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (:key, :n, :watched, :t_min, :t_range, :t_over, :h_min, :h_range, :h_over, :t_driest, :h_at, :t_at, :humid, :heat, :dose, :t_only) ON CONFLICT ("key") DO NOTHING
""",
    "rollup": """\
INSERT INTO rollup ("key", n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only) VALUES (:key, :n, :watched, :t_min, :t_range, :t_over, :h_min, :h_range, :h_over, :t_driest, :h_at, :t_at, :humid, :heat, :dose, :t_only) ON CONFLICT ("key") DO NOTHING
""",
}
SUMS: Final = {
    "recent": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 1 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(recent."key") >> 10) * 1 AS anon_1
FROM recent)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 1 < stretch.last)
 SELECT probe.id, sum(recent.n) AS sum_1, sum(recent.watched) AS sum_2, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) AS sum_3, sum(recent.n * recent.h_min + recent.h_over) AS sum_4, min(((CASE WHEN (recent.n > 0) THEN recent.h_min END << 47) | ((recent."key" >> 10) * 900 + (recent.h_at & 1023) << 16)) | recent.t_min + recent.t_driest) AS min_1, max((CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END << 31) | 2147483647 - ((recent."key" >> 10) * 900 + (recent.h_at >> 10))) AS max_1, min((recent.t_min << 31) | (recent."key" >> 10) * 900 + (recent.t_at & 1023)) AS min_2, max((recent.t_min + recent.t_range << 31) | 2147483647 - ((recent."key" >> 10) * 900 + (recent.t_at >> 10))) AS max_2, sum(recent.humid & 4095) AS sum_5, sum((recent.humid >> 12) & 4095) AS sum_6, sum((recent.humid >> 24) & 4095) AS sum_7, sum(recent.humid >> 36) AS sum_8, sum(recent.heat & 4095) AS sum_9, sum(recent.heat >> 12) AS sum_10, sum(recent.dose) AS sum_11, sum(recent.t_only & 4095) AS sum_12, sum(recent.t_only >> 12) AS sum_13
FROM probe JOIN stretch ON 1 = 1 JOIN recent ON recent."key" >= (((stretch.s << 10) | probe.id) << 0) + max(stretch.first - stretch.s * 1, 0) AND recent."key" < (((stretch.s << 10) | probe.id) << 0) + min(stretch.last - stretch.s * 1, 1)
WHERE :number IS NULL OR probe.id = :number GROUP BY probe.id
""",
    "rollup": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 96 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(rollup."key") >> 17) * 96 AS anon_1
FROM rollup)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 96 < stretch.last)
 SELECT probe.id, sum(rollup.n) AS sum_1, sum(rollup.watched) AS sum_2, sum((rollup.n + (rollup.t_only >> 12)) * rollup.t_min + rollup.t_over) AS sum_3, sum(rollup.n * rollup.h_min + rollup.h_over) AS sum_4, min(((CASE WHEN (rollup.n > 0) THEN rollup.h_min END << 47) | (((rollup."key" >> 17) * 96 + (rollup."key" & 127)) * 900 + (rollup.h_at & 1023) << 16)) | rollup.t_min + rollup.t_driest) AS min_1, max((CASE WHEN (rollup.n > 0) THEN rollup.h_min + rollup.h_range END << 31) | 2147483647 - (((rollup."key" >> 17) * 96 + (rollup."key" & 127)) * 900 + (rollup.h_at >> 10))) AS max_1, min((rollup.t_min << 31) | ((rollup."key" >> 17) * 96 + (rollup."key" & 127)) * 900 + (rollup.t_at & 1023)) AS min_2, max((rollup.t_min + rollup.t_range << 31) | 2147483647 - (((rollup."key" >> 17) * 96 + (rollup."key" & 127)) * 900 + (rollup.t_at >> 10))) AS max_2, sum(rollup.humid & 4095) AS sum_5, sum((rollup.humid >> 12) & 4095) AS sum_6, sum((rollup.humid >> 24) & 4095) AS sum_7, sum(rollup.humid >> 36) AS sum_8, sum(rollup.heat & 4095) AS sum_9, sum(rollup.heat >> 12) AS sum_10, sum(rollup.dose) AS sum_11, sum(rollup.t_only & 4095) AS sum_12, sum(rollup.t_only >> 12) AS sum_13
FROM probe JOIN stretch ON 1 = 1 JOIN rollup ON rollup."key" >= (((stretch.s << 10) | probe.id) << 7) + max(stretch.first - stretch.s * 96, 0) AND rollup."key" < (((stretch.s << 10) | probe.id) << 7) + min(stretch.last - stretch.s * 96, 96)
WHERE :number IS NULL OR probe.id = :number GROUP BY probe.id
""",
}
SLICES: Final = {
    "recent": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 1 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(recent."key") >> 10) * 1 AS anon_5
FROM recent)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_6, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 1 < stretch.last)
 SELECT probe.id, min(recent."key" >> 10) AS min_1, sum(recent.n) AS sum_1, min(recent.t_min) AS min_2, max(recent.t_min + recent.t_range) - min(recent.t_min) AS anon_1, sum((recent.n + (recent.t_only >> 12)) * recent.t_min + recent.t_over) - (sum(recent.n) + sum(recent.t_only >> 12)) * min(recent.t_min) AS anon_2, min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS min_3, max(CASE WHEN (recent.n > 0) THEN recent.h_min + recent.h_range END) - min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_3, sum(recent.n * recent.h_min + recent.h_over) - sum(recent.n) * min(CASE WHEN (recent.n > 0) THEN recent.h_min END) AS anon_4, sum(recent.watched) AS sum_2, sum(recent.t_only >> 12) AS sum_3, sum(max(((recent.humid >> 24) & 4095) + (recent.humid >> 36), (recent.heat & 4095) + (recent.heat >> 12))) AS sum_4
FROM probe JOIN stretch ON 1 = 1 JOIN recent ON recent."key" >= (((stretch.s << 10) | probe.id) << 0) + max(stretch.first - stretch.s * 1, 0) AND recent."key" < (((stretch.s << 10) | probe.id) << 0) + min(stretch.last - stretch.s * 1, 1)
WHERE :number IS NULL OR probe.id = :number GROUP BY probe.id, ((recent."key" >> 10) * 900 - :start) / :seconds
""",
    "rollup": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 96 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(rollup."key") >> 17) * 96 AS anon_5
FROM rollup)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_6, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 96 < stretch.last)
 SELECT probe.id, min((rollup."key" >> 17) * 96 + (rollup."key" & 127)) AS min_1, sum(rollup.n) AS sum_1, min(rollup.t_min) AS min_2, max(rollup.t_min + rollup.t_range) - min(rollup.t_min) AS anon_1, sum((rollup.n + (rollup.t_only >> 12)) * rollup.t_min + rollup.t_over) - (sum(rollup.n) + sum(rollup.t_only >> 12)) * min(rollup.t_min) AS anon_2, min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS min_3, max(CASE WHEN (rollup.n > 0) THEN rollup.h_min + rollup.h_range END) - min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS anon_3, sum(rollup.n * rollup.h_min + rollup.h_over) - sum(rollup.n) * min(CASE WHEN (rollup.n > 0) THEN rollup.h_min END) AS anon_4, sum(rollup.watched) AS sum_2, sum(rollup.t_only >> 12) AS sum_3, sum(max(((rollup.humid >> 24) & 4095) + (rollup.humid >> 36), (rollup.heat & 4095) + (rollup.heat >> 12))) AS sum_4
FROM probe JOIN stretch ON 1 = 1 JOIN rollup ON rollup."key" >= (((stretch.s << 10) | probe.id) << 7) + max(stretch.first - stretch.s * 96, 0) AND rollup."key" < (((stretch.s << 10) | probe.id) << 7) + min(stretch.last - stretch.s * 96, 96)
WHERE :number IS NULL OR probe.id = :number GROUP BY probe.id, (((rollup."key" >> 17) * 96 + (rollup."key" & 127)) * 900 - :start) / :seconds
""",
}
DELETE_QUARTERS: Final = {
    "recent": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 1 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(recent."key") >> 10) * 1 AS anon_1
FROM recent)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 1 < stretch.last)
 DELETE FROM recent WHERE recent."key" IN (SELECT recent."key"
FROM probe JOIN stretch ON 1 = 1 JOIN recent ON recent."key" >= (((stretch.s << 10) | probe.id) << 0) + max(stretch.first - stretch.s * 1, 0) AND recent."key" < (((stretch.s << 10) | probe.id) << 0) + min(stretch.last - stretch.s * 1, 1)
WHERE probe.id IN (SELECT CAST(anon_3.value AS BIGINT) AS value
FROM json_each(:numbers) AS anon_3) AND ((((recent."key" >> 10) / 192 << 10) | probe.id) NOT IN (SELECT CAST(anon_4.value AS BIGINT) AS value
FROM json_each(:unreadable) AS anon_4)))
""",
    "rollup": """\
WITH RECURSIVE stretch(s, first, last) AS
(SELECT span.first / 96 AS s, span.first AS first, span.last AS last
FROM (SELECT CASE WHEN (:last - :first < 9600) THEN :first ELSE max(:first, (SELECT (min(rollup."key") >> 17) * 96 AS anon_1
FROM rollup)) END AS first, :last AS last) AS span
WHERE span.first < span.last UNION ALL SELECT stretch.s + 1 AS anon_2, stretch.first AS first, stretch.last AS last
FROM stretch
WHERE (stretch.s + 1) * 96 < stretch.last)
 DELETE FROM rollup WHERE rollup."key" IN (SELECT rollup."key"
FROM probe JOIN stretch ON 1 = 1 JOIN rollup ON rollup."key" >= (((stretch.s << 10) | probe.id) << 7) + max(stretch.first - stretch.s * 96, 0) AND rollup."key" < (((stretch.s << 10) | probe.id) << 7) + min(stretch.last - stretch.s * 96, 96)
WHERE probe.id IN (SELECT CAST(anon_3.value AS BIGINT) AS value
FROM json_each(:numbers) AS anon_3) AND (((((rollup."key" >> 17) * 96 + (rollup."key" & 127)) / 192 << 10) | probe.id) NOT IN (SELECT CAST(anon_4.value AS BIGINT) AS value
FROM json_each(:unreadable) AS anon_4)))
""",
}
UNCOVER_QUARTERS: Final = {
    "recent": """\
DELETE FROM recent WHERE recent."key" >= :key AND (recent."key" >> 10) >= :quarter
""",
    "rollup": """\
DELETE FROM rollup WHERE rollup."key" >= :key AND (rollup."key" >> 17) * 96 + (rollup."key" & 127) >= :quarter
""",
}
NEWEST_ITEM: Final = """\
SELECT coalesce(max(item.seq), 0) AS coalesce_1
FROM item
"""
LOWEST_ITEM: Final = """\
SELECT min(coalesce(min(item.seq), 0), 0) AS anon_1
FROM item
"""
ADD_ITEM: Final = """\
INSERT INTO item (seq, after_key, time, kind, word, enclosure, data, lasts) VALUES (:seq, :after_key, :time, :kind, :word, :enclosure, :data, :lasts)
"""
ITEM: Final = """\
SELECT item.data
FROM item
WHERE item.seq = :seq
"""
ITEMS_AFTER: Final = """\
SELECT item.seq, item.after_key, item.time, item.kind, late.after_key AS anchor, late.seq AS late
FROM item LEFT OUTER JOIN late ON late."key" = item.after_key
WHERE item.seq > :seq
"""
LASTING: Final = """\
SELECT item.kind, item.data
FROM item
WHERE lasts = 1 AND item.seq > :seq ORDER BY item.seq
"""
MARK_LASTING: Final = """\
UPDATE item SET lasts=1 WHERE item.lasts = 0 AND (item.kind = 'Command' AND item.word IN (SELECT anon_1.value
FROM json_each(:verbs) AS anon_1) OR item.kind = 'JournalEntry' AND item.word IN (SELECT anon_2.value
FROM json_each(:stages) AS anon_2))
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
WHERE item.kind = 'JournalEntry' AND item.time >= :since AND (:words IS NULL OR item.word IN (SELECT anon_1.value
FROM json_each(:words) AS anon_1)) AND (:enclosure IS NULL OR item.enclosure = :enclosure) ORDER BY item.time, item.seq
"""
LEARNED: Final = """\
SELECT item.kind, item.data
FROM item
WHERE item.seq IN (SELECT max(item.seq) AS max_1
FROM item
WHERE item.kind = 'Learned' AND item.time > :at - 5184000 AND item.time <= :at GROUP BY item.enclosure)
"""
ADD_EVENT: Final = """\
INSERT INTO event (id, alarm, time, enclosure, data) VALUES (:id, :alarm, :time, :enclosure, :data) ON CONFLICT (id) DO NOTHING
"""
EVENTS: Final = """\
SELECT event.data
FROM event
WHERE event.time >= :since AND event.time < :until AND (:enclosure IS NULL OR event.enclosure = :enclosure) ORDER BY event.seq
"""
EVENTS_EVER: Final = """\
SELECT event.data
FROM event ORDER BY event.seq
"""
PUT_ALARM: Final = """\
INSERT INTO alarm (alarm, state, raised, data) VALUES (:alarm, :state, :raised, :data) ON CONFLICT (alarm) DO UPDATE SET state = excluded.state, raised = excluded.raised, data = excluded.data
"""
ALARM: Final = """\
SELECT alarm.data
FROM alarm
WHERE alarm.alarm = :alarm
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
INSERT INTO message (id, state, person, channel, priority, not_before, next_try, attempts, last_error, created, sent, data) VALUES (:id, :state, :person, :channel, :priority, :not_before, :next_try, :attempts, :last_error, :created, :sent, :data) ON CONFLICT (id) DO NOTHING
"""
DELIVER: Final = """\
UPDATE message SET state=:became, next_try=:next, attempts=max(message.attempts, :tries), last_error=:error, sent=:at WHERE message.id = :id AND state = 'pending'
"""
MESSAGES: Final = """\
SELECT message.id, message.data, message.state, message.attempts, message.next_try, message.last_error, message.sent
FROM message
WHERE message.created >= :since ORDER BY message.seq
"""
MESSAGES_DUE: Final = """\
SELECT message.id, message.data, message.state, message.attempts, message.next_try, message.last_error, message.sent
FROM message
WHERE message.seq IN (SELECT ranked.seq
FROM (SELECT message.seq AS seq, row_number() OVER (PARTITION BY message.channel, message.person ORDER BY message.priority != 'urgent', message.seq) AS place
FROM message
WHERE state = 'pending' AND message.next_try <= :elapsed AND (message.not_before <= :now OR message.not_before > :now + 90000) AND (:channels IS NULL OR message.channel IN (SELECT anon_1.value
FROM json_each(:channels) AS anon_1))) AS ranked
WHERE ranked.place <= 500) ORDER BY message.seq
"""
SECONDS_TO_DUE: Final = """\
SELECT min(waits.wait) AS min_1
FROM (SELECT max(message.next_try - :elapsed, CASE WHEN (message.not_before > :now + 90000) THEN 0 ELSE message.not_before - :now END) AS wait
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
WHERE note.name = :name
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
WHERE note.name >= :first AND note.name < :end
"""
PUT_NOTE: Final = """\
INSERT INTO note (name, value) VALUES (:name, :value) ON CONFLICT (name) DO UPDATE SET value = excluded.value
"""
DELETE_NOTE: Final = """\
DELETE FROM note WHERE note.name = :name
"""
SNAPSHOTS: Final = """\
SELECT snapshot.id, snapshot.time, snapshot.data
FROM snapshot ORDER BY snapshot.id DESC
"""
SNAPSHOT_PLACE: Final = """\
SELECT snapshot.after_key, snapshot.after_item
FROM snapshot
WHERE snapshot.id = :id
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
INSERT INTO snapshot (time, after_key, after_item, data) VALUES (:time, :after_key, :after_item, :data)
"""
LIFT: Final = {
    "verdict": """\
UPDATE verdict SET "key"=(-(verdict."key" + :shift)) WHERE verdict."key" >= :first
""",
    "late": """\
UPDATE late SET "key"=(-(late."key" + :shift)) WHERE late."key" >= :first
""",
}
LIFTED: Final = {
    "verdict": """\
SELECT -verdict."key"
FROM verdict
WHERE verdict."key" < 0 ORDER BY verdict."key" DESC
""",
    "late": """\
SELECT -late."key"
FROM late
WHERE late."key" < 0 ORDER BY late."key" DESC
""",
}
TAKEN: Final = {
    "verdict": """\
SELECT verdict."key"
FROM verdict
WHERE verdict."key" = :key
""",
    "late": """\
SELECT late."key"
FROM late
WHERE late."key" = :key
""",
}
LAND: Final = {
    "verdict": """\
UPDATE verdict SET "key"=:free WHERE verdict."key" = :lifted
""",
    "late": """\
UPDATE late SET "key"=:free WHERE late."key" = :lifted
""",
}
MOVE_ENDS: Final = """\
UPDATE verdict SET stop=(verdict.stop + :step) WHERE verdict.stop >= :since
"""
MOVE_PLACES: Final = {
    "late": """\
UPDATE late SET after_key=(late.after_key + :shift) WHERE late.after_key >= :first
""",
    "item": """\
UPDATE item SET after_key=(item.after_key + :shift) WHERE item.after_key >= :first
""",
    "snapshot": """\
UPDATE snapshot SET after_key=(snapshot.after_key + :shift) WHERE snapshot.after_key >= :first
""",
}
NEAR_PLACES: Final = {
    "late": """\
UPDATE late SET after_key=:near WHERE late.after_key >= :first
""",
    "item": """\
UPDATE item SET after_key=:near WHERE item.after_key >= :first
""",
    "snapshot": """\
UPDATE snapshot SET after_key=:near WHERE snapshot.after_key >= :first
""",
}
DELETE_EXCLUSIONS_FROM: Final = """\
DELETE FROM exclusion WHERE exclusion.start >= :since
"""
ITEMS_FROM: Final = """\
SELECT item.seq, item.kind, item.data
FROM item
WHERE item.seq > 0 AND item.seq >= (SELECT min(item.seq) AS min_1
FROM item
WHERE item.time >= :since AND item.seq > 0) ORDER BY item.seq
"""
DATE_ITEM: Final = """\
UPDATE item SET after_key=max(item.after_key, :place), time=:at, data=:text WHERE item.seq = :seq
"""
EVENTS_FROM: Final = """\
SELECT event.seq, event.data
FROM event
WHERE event.time >= :since
"""
DATE_EVENT: Final = """\
UPDATE event SET time=:at, data=:text WHERE event.seq = :seq
"""
ALARMS_FROM: Final = """\
SELECT alarm.alarm, alarm.data
FROM alarm
WHERE alarm.raised >= :since
"""
DATE_ALARM: Final = """\
UPDATE alarm SET raised=:at, data=:text WHERE alarm.alarm = :name
"""
NEXT_RECORD: Final = """\
SELECT min(item.time) AS min_1
FROM item
WHERE item.kind = 'Calibration' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_2
FROM item
WHERE item.kind = 'Command' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_3
FROM item
WHERE item.kind = 'JournalEntry' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_4
FROM item
WHERE item.kind = 'Learned' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_5
FROM item
WHERE item.kind = 'Rebase' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_6
FROM item
WHERE item.kind = 'Settings' AND item.time >= :at UNION ALL SELECT min(item.time) AS min_7
FROM item
WHERE item.kind = 'SystemReport' AND item.time >= :at UNION ALL SELECT min(event.time) AS min_8
FROM event
WHERE event.time >= :at UNION ALL SELECT min(alarm.raised) AS min_9
FROM alarm
WHERE alarm.raised >= :at
"""
ITEMS_BELOW: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.seq < :low ORDER BY item.seq DESC
 LIMIT :most OFFSET 0
"""
ITEMS_ABOVE: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.seq > :high ORDER BY item.seq
 LIMIT :most OFFSET 0
"""
ITEMS_BETWEEN: Final = """\
SELECT item.seq, item.time, item.kind, item.data
FROM item
WHERE item.kind IN ('Calibration', 'Command', 'JournalEntry', 'Learned', 'Rebase', 'Settings', 'SystemReport') AND item.time >= :first AND item.time < :end ORDER BY item.seq
"""
EVENTS_ABOVE: Final = """\
SELECT event.seq, event.time, event.id, 'event' AS kind, event.data
FROM event
WHERE event.seq > :high ORDER BY event.seq
 LIMIT :most OFFSET 0
"""
EVENTS_BETWEEN: Final = """\
SELECT event.seq, event.time, event.id, 'event' AS kind, event.data
FROM event
WHERE event.time >= :first AND event.time < :end ORDER BY event.seq
"""
ALARMS_OF: Final = """\
SELECT 0 AS seq, alarm.raised, alarm.alarm, alarm.state, alarm.data
FROM alarm
WHERE alarm.alarm IN (SELECT anon_1.value
FROM json_each(:names) AS anon_1) ORDER BY alarm.alarm
"""
ALARMS_BETWEEN: Final = """\
SELECT 0 AS seq, alarm.raised, alarm.alarm, alarm.state, alarm.data
FROM alarm
WHERE alarm.raised >= :first AND alarm.raised < :end ORDER BY alarm.alarm
"""
CHUNK_NUMBERS: Final = """\
SELECT chunk."key" & 1023 AS anon_1
FROM chunk
WHERE chunk."key" >= :first
"""

SCHEMA: Final = """\
CREATE TABLE alembic_version (
    version_num VARCHAR(32) NOT NULL,
    CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
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
INSERT INTO covered VALUES (1, 0, 0);
INSERT INTO alembic_version (version_num) VALUES ('0001');
ALTER TABLE recent ADD COLUMN t_only INTEGER DEFAULT 0 NOT NULL;
ALTER TABLE rollup ADD COLUMN t_only INTEGER DEFAULT 0 NOT NULL;
INSERT INTO note SELECT 'quarters to remake', '4611686018427387904' WHERE EXISTS (SELECT 1 FROM probe);
UPDATE alembic_version SET version_num='0002' WHERE alembic_version.version_num = '0001';
"""
