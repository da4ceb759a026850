-- Every figure of sections 3 and 4 of the rules, and those of section 5 that the
-- trial can show, for the question asked.
DROP TABLE IF EXISTS course, step, rise, member, seen, finding, sequence, clearing, pair, slope, kendall, serial, exposure;

-- E-CHANGE: the ordered daily dose of one ingredient and route, after each moment
-- at which an order starts or ends. In whole days no renewal overlaps by under 2 h
-- and no gap is under 2 h, so the rules on those have nothing to do.
CREATE TABLE course AS
SELECT o.* FROM ordered o, question q
WHERE o.start_at <= q.as_of AND (o.end_at IS NULL OR o.end_at > o.start_at);

CREATE TABLE step AS
WITH moment AS (
    SELECT usubjid, ingredient, route, start_at AS at FROM course
    UNION SELECT usubjid, ingredient, route, end_at FROM course, question WHERE end_at <= as_of
), level AS (
    SELECT m.usubjid, m.ingredient, m.route, m.at,
           count(c.*) > 0 AS is_on,
           CASE WHEN count(c.*) = count(c.daily_mg) THEN coalesce(sum(c.daily_mg), 0) END AS mg
    FROM moment m LEFT JOIN course c ON (c.usubjid, c.ingredient, c.route) = (m.usubjid, m.ingredient, m.route)
        AND c.start_at <= m.at AND (c.end_at IS NULL OR c.end_at > m.at)
    GROUP BY 1, 2, 3, 4
), moved AS (
    SELECT *, coalesce(lag(is_on) OVER w, false) AS was_on, CASE WHEN lag(is_on) OVER w IS NULL THEN 0 ELSE lag(mg) OVER w END AS was_mg,
           lag(at) OVER w AS was_since
    FROM level WINDOW w AS (PARTITION BY usubjid, ingredient, route ORDER BY at)
), named AS (
    SELECT m.*, CASE
        WHEN is_on AND NOT was_on THEN CASE WHEN was_since > at - interval '48 hours' THEN 'resumed' ELSE 'started' END
        WHEN was_on AND NOT is_on THEN 'stopped'
        WHEN mg > was_mg THEN 'raised'
        WHEN mg < was_mg THEN 'lowered' END AS change
    FROM moved m
), route_changed AS ( -- a stop and a start by another route at most 2 h apart
    SELECT b.usubjid, b.ingredient, b.route, b.at, a.route AS old_route, a.at AS old_at, a.was_mg AS old_mg
    FROM named b JOIN named a ON (a.usubjid, a.ingredient) = (b.usubjid, b.ingredient) AND a.route <> b.route
        AND a.change = 'stopped' AND b.change = 'started' AND a.at BETWEEN b.at - interval '2 hours' AND b.at + interval '2 hours'
)
SELECT n.usubjid, n.ingredient, n.at, d.lowering, n.route,
       CASE WHEN r.at IS NULL THEN n.change ELSE 'route changed' END AS change,
       CASE WHEN r.at IS NULL THEN n.was_mg ELSE r.old_mg END AS was_mg, n.mg
FROM named n
JOIN stay s USING (usubjid)
JOIN (SELECT DISTINCT ingredient, lowering, contributing, pressor FROM ordered) d USING (ingredient)
LEFT JOIN route_changed r ON (r.usubjid, r.ingredient, r.route, r.at) = (n.usubjid, n.ingredient, n.route, n.at)
WHERE n.change IS NOT NULL AND (d.lowering IS NOT NULL OR d.contributing OR d.pressor)
  AND NOT EXISTS (SELECT FROM route_changed o WHERE (o.usubjid, o.ingredient, o.old_route, o.old_at) = (n.usubjid, n.ingredient, n.route, n.at))
  -- taken at home, and ordered again on admission
  AND NOT (r.at IS NULL AND n.change IN ('started', 'resumed') AND n.at <= s.admitted_at + interval '12 hours' AND n.route <> 'parenteral');

CREATE TABLE rise AS -- the latest start, raise or resumption of a blood-pressure-lowering drug
SELECT usubjid, max(at) AS at FROM step WHERE lowering IS NOT NULL AND change IN ('started', 'raised', 'resumed') GROUP BY usubjid;

-- S-GIVEN takes a visit's readings as they were kept together; S-INFER needs a
-- lying reading and a standing one. Visits are 4 h apart, so no reading can join
-- another visit's set.
CREATE TABLE member AS
SELECT r.*, usubjid || '/' || visitnum || '/' || day AS set_id, usubjid || '/' || visitnum || '/' || day || '/' || point AS source_id
FROM (SELECT *, bool_or(upright) OVER v AND bool_or(NOT upright) OVER v AS complete
      FROM reading JOIN question ON at <= as_of
      WINDOW v AS (PARTITION BY usubjid, visitnum, day)) r
JOIN stay USING (usubjid)
WHERE given OR complete;

ANALYZE course, step, rise, member;

-- The lying reading is the baseline; in a given set only if it has a systolic.
CREATE TABLE seen AS
SELECT m.*, b.point IS NOT NULL AS based, b.at AS base_at, b.systolic AS base_systolic, b.diastolic AS base_diastolic, b.pulse AS base_pulse,
       CASE WHEN m.upright THEN b.systolic - m.systolic END AS systolic_drop,
       CASE WHEN m.upright AND b.systolic IS NOT NULL AND m.systolic IS NOT NULL THEN b.diastolic - m.diastolic END AS diastolic_drop,
       CASE WHEN m.upright THEN m.pulse - b.pulse END AS pulse_rise,
       m.upright OR m.point = b.point AS judged -- another reading of a given set stands among its facts only
FROM member m LEFT JOIN member b ON b.set_id = m.set_id AND NOT b.upright AND (b.systolic IS NOT NULL OR NOT b.given);

CREATE TABLE finding AS
WITH judged AS (
    SELECT *, coalesce(systolic_drop >= 20, false) AS f_sys, -- F-SYS
              coalesce(diastolic_drop >= 10, false) AS f_dia, -- F-DIA
              coalesce(systolic < 90 AND base_systolic >= 90, false) AND upright AS f_low, -- F-LOW
              systolic_drop IS NOT NULL AS counts
    FROM seen
), timed AS ( -- the first reading in time that meets a drop, and what follows it
    SELECT *, bool_or(f_sys OR f_dia) OVER later AS again, bool_or(counts) OVER later AS more,
           row_number() OVER (PARTITION BY set_id ORDER BY NOT (f_sys OR f_dia), at) = 1 AND (f_sys OR f_dia) AS is_first,
           row_number() OVER (PARTITION BY set_id ORDER BY NOT (f_sys AND pulse_rise IS NOT NULL), abs(minutes - 3), at) = 1
               AND f_sys AND pulse_rise IS NOT NULL AS shows_response
    FROM judged
    WINDOW later AS (PARTITION BY set_id ORDER BY upright, at ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
), summed AS (
    SELECT usubjid, set_id,
           coalesce(max(base_at), min(at)) AS started_at,
           bool_or(based) AS based, max(base_at) AS base_at,
           max(base_systolic) AS base_systolic, max(base_diastolic) AS base_diastolic, max(base_pulse) AS base_pulse,
           max(systolic_drop) AS systolic_drop, max(diastolic_drop) AS diastolic_drop, max(pulse_rise) AS pulse_rise,
           100 * max(pulse_rise) / max(base_pulse) AS pulse_rise_percent,
           bool_or(f_sys) AS f_sys, bool_or(f_dia) AS f_dia, bool_or(f_low) AS f_low, bool_or(counts) AS counts,
           CASE WHEN bool_or(is_first) THEN 'classic' END AS timing, -- at 1 and 3 minutes none is initial or delayed
           max(CASE WHEN is_first THEN CASE WHEN NOT coalesce(more, false) THEN 'unknown' WHEN again THEN 'yes' ELSE 'no' END END) AS sustained,
           max(pulse_rise / systolic_drop) FILTER (WHERE shows_response) AS ratio,
           coalesce(bool_or(upright AND minutes = 1 AND systolic IS NOT NULL), false) AS near_1,
           coalesce(bool_or(upright AND minutes = 3 AND systolic IS NOT NULL), false) AS near_3,
           coalesce(bool_or(counts AND minutes = 3), false) AS could_clear,
           bool_or(judged AND pulse IS NULL AND (systolic IS NOT NULL OR diastolic IS NOT NULL)) AS pulse_missing,
           bool_or(judged AND (systolic IS NOT NULL OR diastolic IS NOT NULL)) AS limb_missing,
           NOT bool_or(upright) AS never_stood,
           bool_or(implausible) AS implausible,
           array_agg(source_id ORDER BY source_id COLLATE "C") AS facts
    FROM timed GROUP BY usubjid, set_id
), graded AS (
    SELECT f.*,
        CASE WHEN NOT based THEN NULL -- F-SUPINE
             WHEN base_systolic >= 180 OR base_diastolic >= 110 THEN 'severe supine hypertension'
             WHEN base_systolic >= 160 OR base_diastolic >= 100 THEN 'moderate supine hypertension'
             WHEN base_systolic >= 140 OR base_diastolic >= 90 THEN 'mild supine hypertension'
             WHEN base_systolic < 90 THEN 'low'
             WHEN base_systolic IS NOT NULL THEN 'usual' END AS lying_pressure,
        CASE WHEN f_sys OR f_dia OR f_low THEN 'positive'
             WHEN base_systolic IS NULL OR NOT counts OR base_systolic < 90 THEN 'inconclusive'
             ELSE 'negative' END AS finding,
        extract(year FROM age(started_at::date, s.born)) AS years,
        EXISTS (SELECT FROM course c -- a rate-limiting drug ordered at any moment of the 24 h before
                WHERE c.usubjid = f.usubjid AND c.rate_limiting AND c.start_at <= f.started_at
                  AND (c.end_at IS NULL OR c.end_at > f.started_at - interval '24 hours')) AS held_back
    FROM summed f JOIN stay s USING (usubjid)
)
SELECT *,
       CASE WHEN ratio IS NULL THEN NULL WHEN held_back THEN 'unreliable' WHEN ratio < 0 THEN 'falling'
            WHEN ratio < 0.5 THEN 'blunted' ELSE 'brisk' END AS pulse_response,
       CASE WHEN finding = 'inconclusive' THEN 'unusable' ELSE 'usable' END AS quality, -- never complete: no limb is charted
       array_remove(ARRAY[
           CASE WHEN f_sys THEN 'systolic_drop' END, CASE WHEN f_dia THEN 'diastolic_drop' END,
           CASE WHEN f_low THEN 'low_standing_systolic' END,
           CASE WHEN pulse_rise >= CASE WHEN years < 20 THEN 40 ELSE 30 END THEN 'pulse_rise_30' END,
           CASE WHEN 5 * pulse_rise >= base_pulse THEN 'pulse_rise_notable' END,
           CASE WHEN lying_pressure LIKE '%supine hypertension' AND systolic_drop >= 30 THEN 'supine_hypertension_30' END], NULL) AS criteria,
       array_remove(ARRAY[
           CASE WHEN NOT near_1 THEN 'no reading near 1 min' END, CASE WHEN NOT near_3 THEN 'no reading near 3 min' END,
           CASE WHEN pulse_missing THEN 'pulse missing' END, CASE WHEN limb_missing THEN 'limb not charted' END,
           CASE WHEN never_stood THEN 'never stood' END, CASE WHEN implausible THEN 'implausible value left out' END], NULL) AS quality_notes
FROM graded;

-- Section 4: the interpretable sets of each stay, in order.
CREATE TABLE sequence AS
SELECT f.*, row_number() OVER (PARTITION BY usubjid ORDER BY started_at) AS n,
       extract(epoch FROM started_at)::float8 / 86400 AS days
FROM finding f WHERE finding <> 'inconclusive';

ANALYZE seen, finding, sequence;

-- T-CLEAR: the negatives at the end; of them those that can clear.
CREATE TABLE clearing AS
SELECT usubjid, count(*) AS negatives_in_a_row,
       count(*) FILTER (WHERE clears) AS run,
       coalesce(max(started_at) FILTER (WHERE clears) - min(started_at) FILTER (WHERE clears), interval '0') AS apart
FROM (SELECT s.*, max(n) FILTER (WHERE finding = 'positive') OVER (PARTITION BY s.usubjid) AS last_positive,
             could_clear AND (rise.at IS NULL OR started_at > rise.at) AS clears
      FROM sequence s LEFT JOIN rise USING (usubjid)) s
WHERE n > coalesce(last_positive, 0) -- without symptoms every set is positive or negative
GROUP BY usubjid;

-- T-SLOPE: the slopes of all pairs. The baseline and the standing readings of
-- interpretable sets give a drop, so all of them count.
CREATE TABLE pair AS
SELECT a.usubjid, a.n AS n_a, b.n AS n_b, (b.systolic_drop - a.systolic_drop) / (b.days - a.days) AS slope,
       sign(b.systolic_drop - a.systolic_drop)::int AS s
FROM sequence a JOIN sequence b ON b.usubjid = a.usubjid AND b.n > a.n AND b.days > a.days;

CREATE TABLE slope AS
SELECT usubjid, percentile_cont(0.5) WITHIN GROUP (ORDER BY slope) AS slope, sum(s) AS s, count(*) AS pairs,
       array_agg(slope ORDER BY slope) AS slopes
FROM pair GROUP BY usubjid;

-- T-KENDALL. exact is the share of orderings of n values with k pairs out of
-- order, built up one value at a time; with ties the normal approximation, whose
-- tail is the series of the error function.
CREATE TABLE kendall AS
WITH RECURSIVE sizes AS (
    SELECT usubjid, count(*)::int AS n FROM sequence GROUP BY usubjid
), ties AS (
    SELECT usubjid, max(t) > 1 AS tied, sum(t * (t - 1) * (2 * t + 5)) AS tie_sum
    FROM (SELECT usubjid, systolic_drop, count(*) AS t FROM sequence GROUP BY 1, 2) g GROUP BY usubjid
), exact (n, share) AS (
    SELECT 1, ARRAY[1::numeric]
    UNION ALL
    SELECT n + 1, ARRAY(
        SELECT sum(share[j]) / (n + 1) FROM generate_series(1, cardinality(share) + n) k
        JOIN generate_series(1, cardinality(share)) j ON j BETWEEN k - n AND k GROUP BY k ORDER BY k)
    FROM exact WHERE n < (SELECT max(n) FROM sizes)
), prepared AS (
    SELECT usubjid, n, s.s, tied, s.slopes, s.pairs,
           (n * (n - 1) * (2 * n + 5) - tie_sum)::float8 / 18 AS variance
    FROM sizes JOIN ties USING (usubjid) JOIN slope s USING (usubjid)
), scored AS (
    SELECT *, CASE WHEN s <> 0 AND variance > 0 THEN ((abs(s) - 1) / sqrt(2 * variance))::numeric END AS x FROM prepared
)
SELECT usubjid, n,
       CASE WHEN NOT tied THEN (SELECT least(1, 2 * sum(share[k])) FROM exact, generate_series(1, (n * (n - 1) / 2 - abs(s))::int / 2 + 1) k
                                WHERE exact.n = scored.n)::float8
            WHEN x IS NULL THEN 1
            ELSE (1 - 2 / sqrt(pi()::numeric) * (
                SELECT sum((-1) ^ k * x ^ (2 * k + 1) / (factorial(k) * (2 * k + 1))) FROM generate_series(0, 80) k))::float8 END AS p,
       CASE WHEN n >= 5 THEN slopes[greatest(round((pairs - 1.959963984540054 * sqrt(variance)) / 2) - 1, 0)::int + 1] END AS slope_low,
       CASE WHEN n >= 5 THEN slopes[least(round((pairs + 1.959963984540054 * sqrt(variance)) / 2), pairs - 1)::int + 1] END AS slope_high
FROM scored;

ANALYZE clearing, slope, kendall;

CREATE TABLE serial AS
SELECT st.usubjid, count(f.*) AS sets, count(f.*) FILTER (WHERE f.finding <> 'inconclusive') AS interpretable,
       count(f.*) FILTER (WHERE f.finding = 'positive') AS positive, max(f.started_at) FILTER (WHERE f.finding = 'positive') AS last_positive_at,
       coalesce(c.negatives_in_a_row, 0) AS negatives_in_a_row,
       count(f.*) FILTER (WHERE f.finding = 'positive') > 0 AND coalesce(c.run, 0) >= 2 AND c.apart >= interval '8 hours' AS cleared,
       sl.slope, k.slope_low, k.slope_high, k.p,
       CASE WHEN coalesce(k.n, 0) < 4 THEN 'too_few' WHEN k.p < 0.10 AND sl.slope > 0 THEN 'worsening'
            WHEN k.p < 0.10 AND sl.slope < 0 THEN 'improving' ELSE 'steady' END AS trend
FROM stay st JOIN question q ON st.admitted_at <= q.as_of
LEFT JOIN finding f USING (usubjid)
LEFT JOIN clearing c USING (usubjid)
LEFT JOIN slope sl USING (usubjid)
LEFT JOIN kendall k USING (usubjid)
GROUP BY st.usubjid, c.negatives_in_a_row, c.run, c.apart, sl.slope, k.slope_low, k.slope_high, k.p, k.n;

-- Section 5: what surrounds the findings at the moment asked.
CREATE TABLE exposure AS
WITH active AS (
    SELECT c.* FROM course c, question WHERE end_at IS NULL OR end_at > as_of
), level AS ( -- the ordered daily dose of one ingredient and route; one order without an amount hides it
    SELECT usubjid, lowering, CASE WHEN count(*) = count(daily_mg) THEN sum(daily_mg) / max(ddd) END AS ddds
    FROM active WHERE lowering IS NOT NULL GROUP BY usubjid, lowering, ingredient, route
), load AS (
    SELECT usubjid, lowering, sum(ddds) AS ddds FROM level GROUP BY 1, 2
), weighed AS (
    SELECT DISTINCT usubjid, first_value(at) OVER w AS first_at, last_value(at) OVER w AS last_at,
           last_value(kg) OVER w - first_value(kg) OVER w AS change,
           last_value(trial_kg) OVER w - first_value(trial_kg) OVER w AS trial_change
    FROM weight JOIN question ON at <= as_of
    WINDOW w AS (PARTITION BY usubjid ORDER BY at, seq ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)
)
SELECT st.usubjid,
       CASE WHEN NOT EXISTS (SELECT FROM load l WHERE l.usubjid = st.usubjid) THEN 0
            ELSE (SELECT sum(ddds) FROM load l WHERE l.usubjid = st.usubjid) END AS load,
       (SELECT coalesce(json_object_agg(lowering, ddds) FILTER (WHERE ddds IS NOT NULL), '{}') FROM load l WHERE l.usubjid = st.usubjid)::text AS load_by_group,
       ARRAY(SELECT DISTINCT d.words COLLATE "C" AS w FROM drug d
             WHERE d.usubjid = st.usubjid AND d.start_at <= q.as_of
               AND NOT EXISTS (SELECT FROM known k WHERE (k.usubjid, k.cmspid) = (d.usubjid, d.cmspid)) ORDER BY w) AS unrecognised,
       ARRAY(SELECT DISTINCT ingredient COLLATE "C" AS i FROM active a WHERE a.usubjid = st.usubjid AND contributing ORDER BY i) AS contributing,
       ARRAY(SELECT DISTINCT ingredient COLLATE "C" AS i FROM active a WHERE a.usubjid = st.usubjid AND lowering IS NOT NULL ORDER BY i) AS lowering,
       (SELECT count(DISTINCT lowering) FROM active a WHERE a.usubjid = st.usubjid AND lowering LIKE '%diuretic') AS diuretics,
       ARRAY(SELECT DISTINCT lowering COLLATE "C" AS g FROM active a WHERE a.usubjid = st.usubjid AND lowering IS NOT NULL ORDER BY g) AS groups,
       CASE WHEN w.last_at - w.first_at >= interval '12 hours' THEN w.change END AS weight_change,
       CASE WHEN w.last_at - w.first_at >= interval '12 hours' THEN w.trial_change END AS trial_weight_change
FROM stay st JOIN question q ON st.admitted_at <= q.as_of
LEFT JOIN weighed w USING (usubjid);
