-- E-DRUG: the ingredients found in each drug's words, with their classes.
CREATE TABLE known AS
SELECT d.*, i.ingredient, i.atc,
       CASE d.route WHEN 'oral' THEN i.oral WHEN 'parenteral' THEN i.parenteral
                    WHEN 'sublingual' THEN i.sublingual WHEN 'transdermal' THEN i.transdermal END AS ddd,
       count(*) OVER (PARTITION BY d.usubjid, d.cmspid) AS ingredients
FROM drug d JOIN ingredient i ON d.words ~* ('\m(' || i.words || ')\M');

CREATE TABLE ordered AS
SELECT *,
       CASE WHEN atc ~ '^(C03C|C03EB)' THEN 'loop diuretic'
            WHEN atc ~ '^(C03A|C03BA|C03EA)' THEN 'thiazide or like diuretic'
            WHEN atc ~ '^C03D' THEN 'potassium-sparing diuretic'
            WHEN atc ~ '^C03' THEN 'other diuretic'
            WHEN atc ~ '^C09[AB]' THEN 'ACE inhibitor'
            WHEN atc ~ '^C09[CD]' THEN 'ARB'
            WHEN atc ~ '^C09X' THEN 'other renin-angiotensin'
            WHEN atc ~ '^C07' THEN 'beta-blocker'
            WHEN atc ~ '^C08' THEN 'calcium-channel blocker'
            WHEN atc ~ '^(C02CA|G04CA)' THEN 'alpha-1 blocker'
            WHEN atc ~ '^C02A' THEN 'central antihypertensive'
            WHEN atc ~ '^C02KX' THEN NULL
            WHEN atc ~ '^C02' THEN 'vasodilator'
            WHEN atc ~ '^C01DA' THEN 'nitrate' END AS lowering,
       atc ~ '^(A10BK|N04BA|N04BC|G04BE|N06A|N05A|N05B|N05C|N03A|N02BF|N02A|G04BD|R06A|M03BX02)' AS contributing,
       atc ~ '^(C01CA17|C01CA27|H02AA02|N07AA02)' AS pressor,
       atc ~ '^(C07|C08D|C01AA|C01BD01|C01EB17)' AS rate_limiting,
       CASE WHEN ingredients > 1 THEN NULL -- a mass is then one of the whole combination
            WHEN unit = 'mg' THEN dose WHEN unit = 'g' THEN dose * 1000 WHEN unit IN ('ug', 'mcg') THEN dose / 1000
            WHEN unit IN ('tablet', 'capsule') THEN dose * substring(words FROM '(?i)^\D*(\d+(?:\.\d+)?) ?MG\M\D*$')::float8
            END * times_per_day AS daily_mg
FROM known
WHERE NOT as_needed AND route <> 'local' AND start_at IS NOT NULL; -- a row without a start is no order

ANALYZE;
