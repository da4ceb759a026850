-- What the trial's tables say, laid out by the same rules as the feed
-- (convert_test.go), but by other means: time points by VSTPTNUM and not by VSPOS
-- and VSELTM, values as standardised by the trial (VSSTRESN) and not as charted.
-- All times are without zone and mean UTC. The tables vs, dm and cm hold text.

-- question is what is asked: the moment of the answer, and whether the readings
-- of a visit were kept together by a set_id. Everything in figures.sql hangs on it.
CREATE TABLE question (as_of timestamp, given boolean);

CREATE FUNCTION utc(timestamp) RETURNS text LANGUAGE sql AS $$ SELECT to_char($1, 'YYYY-MM-DD"T"HH24:MI:SS"Z"') $$;

-- The first visit of a day is at 08:00, the next 4 h later.
CREATE TABLE visit AS
SELECT usubjid, visitnum, visit, day,
       day + interval '8 hours' + interval '4 hours' * (row_number() OVER (PARTITION BY usubjid, day ORDER BY visitnum::numeric) - 1) AS at
FROM (SELECT DISTINCT usubjid, visitnum, visit, left(vsdtc, 10)::date AS day FROM vs) v;

-- One value of one test at one time point of a visit; of two the later row.
CREATE TABLE measured AS
SELECT DISTINCT ON (usubjid, visitnum, day, vstestcd, vstptnum)
       usubjid, visitnum, left(vsdtc, 10)::date AS day, vstestcd, vstptnum::int AS point, vsstresn::float8 AS value
FROM vs
WHERE vsstresn IS NOT NULL
ORDER BY usubjid, visitnum, day, vstestcd, vstptnum, vsseq::int DESC;

-- 815 is lying for 5 minutes, 816 and 817 are standing for 1 and 3.
CREATE TABLE charted AS
SELECT m.usubjid, m.visitnum, m.day, m.point, v.at AS visit_at,
       v.at + interval '1 minute' * p.minutes * p.upright::int AS at, p.minutes, p.upright,
       max(value) FILTER (WHERE vstestcd = 'SYSBP') AS systolic,
       max(value) FILTER (WHERE vstestcd = 'DIABP') AS diastolic,
       max(value) FILTER (WHERE vstestcd = 'PULSE') AS pulse
FROM measured m
JOIN visit v USING (usubjid, visitnum, day)
JOIN (VALUES (815, 5, false), (816, 1, true), (817, 3, true)) p (point, minutes, upright) USING (point)
WHERE vstestcd IN ('SYSBP', 'DIABP', 'PULSE')
GROUP BY 1, 2, 3, 4, 5, 6, 7, 8;

-- V-PLAUSIBLE: systolic 40 to 300, diastolic 10 to 200, systolic above diastolic,
-- pulse 20 to 300. A doubted pressure takes both pressures out.
CREATE TABLE reading AS
SELECT usubjid, visitnum, day, point, visit_at, at, minutes, upright,
       CASE WHEN NOT odd_pressure THEN systolic END AS systolic,
       CASE WHEN NOT odd_pressure THEN diastolic END AS diastolic,
       CASE WHEN NOT odd_pulse THEN pulse END AS pulse,
       odd_pressure OR odd_pulse AS implausible
FROM (SELECT *,
             coalesce(systolic NOT BETWEEN 40 AND 300, false) OR coalesce(diastolic NOT BETWEEN 10 AND 200, false)
                 OR coalesce(systolic <= diastolic, false) AS odd_pressure,
             coalesce(pulse NOT BETWEEN 20 AND 300, false) AS odd_pulse
      FROM charted) c;

-- A stay is a subject of dm who was measured at least once.
CREATE TABLE stay AS
SELECT dm.usubjid, min(left(vs.vsdtc, 10)::date) + interval '6 hours' AS admitted_at,
       CASE WHEN length(dm.brthdtc) = 10 THEN dm.brthdtc::date END AS born
FROM dm JOIN vs ON vs.usubjid = dm.usubjid AND vs.vsorres IS NOT NULL
GROUP BY dm.usubjid, dm.brthdtc;

-- kg by the international pound, and as the trial converted it.
CREATE TABLE weight AS
SELECT vs.usubjid, v.at - interval '10 minutes' AS at, vsseq::int AS seq,
       vsorres::float8 * CASE vsorresu WHEN 'LB' THEN 0.45359237 ELSE 1 END AS kg, vsstresn::float8 AS trial_kg
FROM vs JOIN visit v ON (v.usubjid, v.visitnum, v.day) = (vs.usubjid, vs.visitnum, left(vsdtc, 10)::date)
WHERE vstestcd = 'WEIGHT' AND vsorres IS NOT NULL;

-- One drug is one CMSPID. A date may be a year or a month: a start is then the
-- first day it can be, an end the last. Without a start the drug was taken by the
-- first day on which it was charted.
CREATE TABLE drug AS
SELECT DISTINCT ON (usubjid, cmspid)
       usubjid, cmspid,
       CASE WHEN coalesce(cmdecod, 'UNCODED') <> 'UNCODED' THEN cmdecod ELSE cmtrt END AS words,
       cmdose::float8 AS dose, lower(cmdosu) AS unit, coalesce(cmdosfrq, '') = 'PRN' AS as_needed,
       CASE WHEN cmdosfrq IN ('QD', 'EVERY MORNING', 'EVERY NIGHT', 'Q24H') THEN 1 WHEN cmdosfrq = 'QOD' THEN 0.5
            WHEN cmdosfrq = 'BID' THEN 2 WHEN cmdosfrq = 'TID' THEN 3 WHEN cmdosfrq = 'QID' THEN 4
            WHEN cmdosfrq ~ '^Q(2|3|4|6|8|12)H$' THEN 24 / substring(cmdosfrq FROM '\d+')::float8 END AS times_per_day,
       CASE WHEN cmroute IS NULL OR cmroute = 'ORAL' THEN 'oral'
            WHEN cmroute IN ('INTRAMUSCULAR', 'SUBCUTANEOUS', 'INTRAVENOUS') THEN 'parenteral'
            WHEN cmroute IN ('SUBLINGUAL', 'TRANSDERMAL') THEN lower(cmroute)
            WHEN cmroute ~ 'TOPICAL|OPHTHALMIC|OTIC|NASAL|INHAL|VAGINAL' THEN 'local'
            ELSE lower(cmroute) END AS route,
       coalesce((rpad(left(cmstdtc, 10), 10, '-01-01'))::date,
                min(left(cmdtc, 10)::date) OVER (PARTITION BY usubjid, cmspid))::timestamp AS start_at,
       CASE length(left(cmendtc, 10))
            WHEN 4 THEN (cmendtc || '-01-01')::date + interval '1 year'
            WHEN 7 THEN (cmendtc || '-01')::date + interval '1 month'
            WHEN 10 THEN left(cmendtc, 10)::date + interval '1 day' END AS end_at
FROM cm
ORDER BY usubjid, cmspid, cmseq::int DESC;

-- The drugs that the rules know by name, written down from the table of ATC codes
-- and DDDs and not from the program; words is a regular expression of spellings.
CREATE TABLE ingredient (ingredient text, words text, atc text, oral float8, parenteral float8, sublingual float8, transdermal float8);
