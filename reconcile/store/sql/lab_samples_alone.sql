-- The same as lab_samples.sql where every sample has one row: there is nothing to group.
CREATE OR REPLACE TEMP TABLE lab_sample AS
SELECT row_number() OVER () - 1 AS number, *
FROM (
    SELECT
        sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key, part_role,
        coalesce(reported_at, analysed_at, received_at) AS lab_time,
        lab_id,
        [certificate] AS certificate
    FROM lab_row
    WHERE disposition = 'sample'
    ORDER BY sample_id
);
