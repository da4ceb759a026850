-- Vital signs by arm, time point and visit, for a person to hold against the
-- trial's own table. "last on treatment" is the last value after BASELINE up to WEEK 24.
WITH treated AS (
    SELECT v.visit, m.*, d.actarm AS arm, b.visitnum::numeric AS base, v.visitnum::numeric AS num,
           (SELECT max(visitnum::numeric) FROM visit WHERE visit = 'WEEK 24') AS week_24
    FROM measured m JOIN visit v USING (usubjid, visitnum, day) JOIN dm d USING (usubjid)
    LEFT JOIN visit b ON b.usubjid = m.usubjid AND b.visit = 'BASELINE'
    WHERE vstestcd IN ('SYSBP', 'DIABP', 'PULSE')
), last_one AS (
    SELECT DISTINCT ON (usubjid, vstestcd, point) arm, vstestcd, point, 'last on treatment' AS visit, 99 AS num, value
    FROM treated WHERE num > base AND num <= week_24 ORDER BY usubjid, vstestcd, point, num DESC
), chosen AS (
    SELECT arm, vstestcd, point, visit, num, value FROM treated WHERE visit IN ('BASELINE', 'WEEK 24')
    UNION ALL SELECT * FROM last_one
    UNION ALL SELECT 'every arm', vstestcd, point, visit, num, value FROM treated WHERE vstestcd = 'SYSBP'
)
SELECT vstestcd, arm, visit, CASE point WHEN 815 THEN 'lying' WHEN 816 THEN 'standing 1 min' WHEN 817 THEN 'standing 3 min' END,
       count(*), avg(value), coalesce(stddev_samp(value), 0), percentile_cont(0.5) WITHIN GROUP (ORDER BY value), min(value), max(value)
FROM chosen GROUP BY vstestcd, arm, num, visit, point ORDER BY vstestcd DESC, arm = 'every arm', arm, num, point
