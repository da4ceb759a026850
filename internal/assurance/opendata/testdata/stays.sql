-- What the ranked list says of every stay, in the names of the published document.
SELECT s.usubjid, json_build_object(
    'serial', json_build_object('sets', s.sets, 'interpretable', s.interpretable, 'positive', s.positive,
        'last_positive_at', utc(s.last_positive_at), 'negatives_in_a_row', s.negatives_in_a_row, 'cleared', s.cleared,
        'slope_per_day', s.slope, 'slope_low', s.slope_low, 'slope_high', s.slope_high, 'p', s.p, 'trend', s.trend),
    'exposures', json_build_object('bp_lowering_load', e.load, 'load_by_group', e.load_by_group::json, 'load_from', 'orders',
        'unrecognised_drugs', e.unrecognised, 'weight_change_kg', e.weight_change,
        'changes', (SELECT coalesce(json_agg(json_build_object('drug', t.ingredient, 'change', t.change, 'at', utc(t.at),
                'from_daily_dose', t.was_mg, 'to_daily_dose', t.mg) ORDER BY t.at, t.ingredient COLLATE "C"), '[]')
            FROM step t WHERE t.usubjid = s.usubjid)),
    'flags', json_build_object(
        'D-ALPHA', 'alpha-1 blocker' = ANY (e.groups), 'D-CENTRAL', 'central antihypertensive' = ANY (e.groups),
        'D-NITRATE', 'nitrate' = ANY (e.groups) OR e.lowering && ARRAY['hydralazine', 'minoxidil'],
        'D-THREE', cardinality(e.lowering) >= 3, 'D-TWO-DIURETICS', e.diuretics >= 2, 'D-FRID', cardinality(e.contributing) > 0),
    'contributing', e.contributing)
FROM serial s JOIN exposure e USING (usubjid)
