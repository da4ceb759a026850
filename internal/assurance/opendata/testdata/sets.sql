-- The sets of every stay in the names of the published document, oldest first.
WITH standing AS (
    SELECT set_id, json_agg(json_build_object('taken_at', utc(s.at), 'position', 'standing', 'minutes_upright', s.minutes,
        'minutes_from', 'charted', 'systolic', s.systolic, 'diastolic', s.diastolic, 'heart_rate', s.pulse,
        'systolic_drop', s.systolic_drop, 'diastolic_drop', s.diastolic_drop, 'pulse_rise', s.pulse_rise) ORDER BY s.at) AS readings
    FROM seen s WHERE upright GROUP BY set_id
)
SELECT f.usubjid, coalesce(json_agg(json_build_object(
    'set_id', CASE WHEN q.given THEN f.set_id ELSE '' END,
    'started_at', utc(f.started_at), 'kind', 'lying_to_standing',
    'baseline', CASE WHEN f.based THEN json_build_object('taken_at', utc(f.base_at), 'position', 'lying', 'minutes_in_position', 5,
        'systolic', f.base_systolic, 'diastolic', f.base_diastolic, 'heart_rate', f.base_pulse) END,
    'upright', coalesce(u.readings, '[]'),
    'systolic_drop', f.systolic_drop, 'diastolic_drop', f.diastolic_drop,
    'pulse_rise', f.pulse_rise, 'pulse_rise_percent', f.pulse_rise_percent,
    'finding', f.finding, 'criteria', f.criteria, 'timing', f.timing, 'sustained', f.sustained,
    'pulse_response', f.pulse_response, 'pulse_response_ratio', f.ratio, 'lying_pressure', f.lying_pressure,
    'symptoms', '[]'::json, 'stopped_early', false, 'quality', f.quality, 'quality_notes', f.quality_notes, 'facts', f.facts
  ) ORDER BY f.started_at), '[]')
FROM question q CROSS JOIN finding f LEFT JOIN standing u USING (set_id) GROUP BY f.usubjid
