-- +goose Up
-- What was given on the huddle's page is an event of its episode from now on. What is given
-- at this moment goes over: the last name of each thing that is open, of the last day on which
-- anything was given. A set that was owed had a key of its own. The next step ends what is over.
-- The rows of assignments stay as they are; nothing is added to them.
CREATE TABLE going_over AS
SELECT e.id AS episode_id, a.name AS name, a.who AS who, max(a.at, e.changed_at) AS at, a.at + 86400000000 AS until
FROM episodes e
JOIN assignments a ON a.id = (
    SELECT max(b.id) FROM assignments b
    WHERE b.stay_id = e.stay_id AND (b.key = e.id OR e.kind IN ('fall_without_set', 'recheck_overdue')
        AND NOT EXISTS (SELECT 1 FROM episodes o WHERE o.id = b.key)))
WHERE e.state = 'open' AND a.name <> '' AND a.at >= (SELECT max(at) FROM assignments) - 86400000000;

INSERT INTO episode_events (episode_id, n, at, unit, what, who, body)
SELECT e.id, e.events + 1, g.at, e.unit, 'assigned', g.who, json_object(
    'episode_id', e.id, 'n', e.events + 1, 'at', strftime('%Y-%m-%dT%H:%M:%fZ', g.at / 1000000.0, 'unixepoch'),
    'who', g.who, 'what', 'assigned', 'from', 'open', 'to', 'assigned', 'reason', '', 'note', '', 'name', g.name,
    'until', strftime('%Y-%m-%dT%H:%M:%fZ', g.until / 1000000.0, 'unixepoch'),
    'kind', e.kind, 'stay_id', e.stay_id, 'trigger', json_extract(e.body, '$.trigger'), 'unit', e.unit,
    'rule', '', 'figures', NULL, 'facts', NULL, 'learned', NULL, 'tells', json('false'))
FROM going_over g JOIN episodes e ON e.id = g.episode_id;

UPDATE episodes SET
    state = 'assigned', events = events + 1, changed_at = g.at,
    body = json_set(body, '$.state', 'assigned', '$.who', g.name, '$.by', g.who, '$.reason', '', '$.note', '',
        '$.events', events + 1, '$.changed_at', strftime('%Y-%m-%dT%H:%M:%fZ', g.at / 1000000.0, 'unixepoch'),
        '$.until', strftime('%Y-%m-%dT%H:%M:%fZ', g.until / 1000000.0, 'unixepoch'))
FROM going_over g WHERE episodes.id = g.episode_id;

DROP TABLE going_over;
