-- Replicate determinations of one sample by one method are averaged; duplicates that the
-- register or the certificate marks as such are controls and stay apart.
CREATE OR REPLACE TEMP TABLE lab_mean AS
SELECT
    sample_id, technique, lab_method, digestion, digestion_class, moisture_basis,
    max(coalesce(reported_at, analysed_at, received_at)) AS lab_time,
    string_agg(DISTINCT certificate, ', ' ORDER BY certificate) AS certificate
    -- each key
    , count(*) FILTER ({q} IN (0, 1, 2)) AS {n}
    , count(*) FILTER ({q} IN (1, 2)) AS {censored}
    , avg(CASE {q} WHEN 0 THEN {v} WHEN 1 THEN 0 WHEN 2 THEN {l} END) AS {low}
    , avg(CASE {q} WHEN 0 THEN {v} WHEN 1 THEN coalesce({l}, 'nan'::DOUBLE)
                    WHEN 2 THEN 'infinity'::DOUBLE END) AS {high}
    , CASE WHEN count(*) FILTER ({q} IN (1, 2)) = 0
           THEN stddev_samp(CASE {q} WHEN 0 THEN {v} END)
                / sqrt(count(*) FILTER ({q} = 0)) END AS {se}
    -- end each
FROM (
    SELECT * REPLACE (
        coalesce(technique, '') AS technique,
        coalesce(lab_method, '') AS lab_method,
        coalesce(digestion, '') AS digestion,
        coalesce(digestion_class, '') AS digestion_class
    ) FROM lab_row WHERE disposition = 'sample'
)
GROUP BY sample_id, technique, lab_method, digestion, digestion_class, moisture_basis;
