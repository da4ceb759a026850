-- +goose Up
-- What was given on the huddle's page is an event of its episode from now on. What is given
-- at this moment goes over: the last name of each thing that is open, of the last day on which
-- anything was given. A set that was owed had a key of its own. The next step ends what is over.
-- The rows of assignments stay as they are; nothing is added to them.
CREATE TEMPORARY TABLE going_over ON COMMIT DROP AS
SELECT e.id AS episode_id, a.name AS name, a.who AS who, greatest(a.at, e.changed_at) AS at,
    to_char(timestamp 'epoch' + greatest(a.at, e.changed_at) * interval '1 microsecond', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') AS at_text,
    to_char(timestamp 'epoch' + (a.at + 86400000000) * interval '1 microsecond', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') AS until_text
FROM episodes e
JOIN assignments a ON a.id = (
    SELECT max(b.id) FROM assignments b
    WHERE b.stay_id = e.stay_id AND (b.key = e.id OR e.kind IN ('fall_without_set', 'recheck_overdue')
        AND NOT EXISTS (SELECT 1 FROM episodes o WHERE o.id = b.key)))
WHERE e.state = 'open' AND a.name <> '' AND a.at >= (SELECT max(at) FROM assignments) - 86400000000;

INSERT INTO episode_events (episode_id, n, at, unit, what, who, body)
SELECT e.id, e.events + 1, g.at, e.unit, 'assigned', g.who, jsonb_build_object(
    'episode_id', e.id, 'n', e.events + 1, 'at', g.at_text,
    'who', g.who, 'what', 'assigned', 'from', 'open', 'to', 'assigned', 'reason', '', 'note', '', 'name', g.name,
    'until', g.until_text, 'kind', e.kind, 'stay_id', e.stay_id, 'trigger', e.body::jsonb ->> 'trigger', 'unit', e.unit,
    'rule', '', 'figures', NULL, 'facts', NULL, 'learned', NULL, 'tells', false)::text
FROM going_over g JOIN episodes e ON e.id = g.episode_id;

UPDATE episodes SET
    state = 'assigned', events = events + 1, changed_at = g.at,
    body = (body::jsonb || jsonb_build_object('state', 'assigned', 'who', g.name, 'by', g.who, 'reason', '', 'note', '',
        'events', events + 1, 'changed_at', g.at_text, 'until', g.until_text))::text
FROM going_over g WHERE episodes.id = g.episode_id;
