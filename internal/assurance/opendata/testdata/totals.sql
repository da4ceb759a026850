-- How often each finding stands, over all stays.
SELECT 'sets', count(*) FROM finding
UNION ALL SELECT finding, count(*) FROM finding GROUP BY 1
UNION ALL SELECT c, count(*) FROM finding, unnest(criteria) c GROUP BY 1
UNION ALL SELECT 'sustained ' || sustained, count(*) FROM finding WHERE sustained IS NOT NULL GROUP BY 1
UNION ALL SELECT 'lying ' || lying_pressure, count(*) FROM finding WHERE lying_pressure IS NOT NULL GROUP BY 1
UNION ALL SELECT 'pulse ' || pulse_response, count(*) FROM finding WHERE pulse_response IS NOT NULL GROUP BY 1
UNION ALL SELECT 'stays', count(*) FROM serial
UNION ALL SELECT 'stays with a positive set', count(*) FROM serial WHERE positive > 0
UNION ALL SELECT 'stays cleared', count(*) FROM serial WHERE cleared
UNION ALL SELECT 'trend ' || trend, count(*) FROM serial GROUP BY 1
UNION ALL SELECT 'systolics', count(systolic) FROM seen
UNION ALL SELECT 'systolics ending in 0', count(*) FROM seen WHERE systolic::numeric % 10 = 0
UNION ALL SELECT 'changes', count(*) FROM step
UNION ALL SELECT 'lying systolics ending in 0', count(*) FROM seen WHERE NOT upright AND systolic::numeric % 10 = 0
