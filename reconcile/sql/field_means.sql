-- Shots are averaged within a spot, spots within a sample. low and high bound the mean:
-- equal to it where every shot is quantified, apart where a shot is below or above a limit.
CREATE OR REPLACE TEMP TABLE field_spot AS
SELECT
    sample_id, technique, instrument, calibration, matrix, specimen_form, moisture_basis,
    pair_type, "group", spot, min(measured_at) AS first_at
    -- each key
    , count(*) FILTER ({q} IN (0, 1, 2)) AS {n}
    , count(*) FILTER ({q} IN (1, 2)) AS {censored}
    , avg(CASE {q} WHEN 0 THEN {v} WHEN 1 THEN 0 WHEN 2 THEN {l} END) AS {low}
    , avg(CASE {q} WHEN 0 THEN {v} WHEN 1 THEN coalesce({l}, 'nan'::DOUBLE)
                    WHEN 2 THEN 'infinity'::DOUBLE END) AS {high}
    , var_samp(CASE {q} WHEN 0 THEN {v} END) AS {variance}
    , count(*) FILTER ({q} = 0) AS {quantified}
    -- end each
FROM field_row
WHERE disposition = 'sample'
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE field_mean AS
SELECT
    sample_id, technique, instrument, calibration, matrix, specimen_form, moisture_basis,
    pair_type, "group", min(first_at) AS field_time
    -- each key
    , coalesce(sum({n}), 0)::BIGINT AS {n}
    , coalesce(sum({censored}), 0)::BIGINT AS {censored}
    , count(*) FILTER ({n} > 0) AS {spots}
    , avg({low}) FILTER ({n} > 0) AS {low}
    , avg({high}) FILTER ({n} > 0) AS {high}
    , CASE
        WHEN coalesce(sum({censored}), 0) > 0 THEN NULL
        WHEN count(*) FILTER ({n} > 0) >= 2
            THEN stddev_samp({low}) FILTER ({n} > 0 AND {censored} = 0)
                 / sqrt(count(*) FILTER ({n} > 0))
        WHEN sum({n}) >= 2 THEN sqrt(max({variance}) / sum({n}))
      END AS {se}
    , CASE
        WHEN coalesce(sum({censored}), 0) > 0 THEN NULL
        WHEN sum(greatest({quantified} - 1, 0)) > 0
            THEN sqrt(sum({variance} * ({quantified} - 1)) FILTER ({quantified} > 1)
                      / sum(greatest({quantified} - 1, 0)))
        ELSE stddev_samp({low}) FILTER ({n} > 0 AND {censored} = 0)
      END AS {sd}
    -- end each
FROM (
    FROM field_spot
    ORDER BY sample_id, technique, instrument, calibration, matrix, specimen_form,
        moisture_basis, pair_type, "group", spot
)
GROUP BY sample_id, technique, instrument, calibration, matrix, specimen_form, moisture_basis,
    pair_type, "group";
