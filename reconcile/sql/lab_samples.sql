-- One row per lab mean: a sample by one method. Numbered in a fixed order.
CREATE OR REPLACE TEMP TABLE lab_sample AS
SELECT
    row_number() OVER (
        ORDER BY sample_id, technique, lab_method, digestion, digestion_class, moisture_basis
    ) - 1 AS number, *
FROM (
    SELECT
        sample_id, technique, lab_method, digestion, digestion_class, moisture_basis,
        max(coalesce(reported_at, analysed_at, received_at)) AS lab_time,
        coalesce(string_agg(DISTINCT certificate, ', ' ORDER BY certificate), '') AS certificate
    FROM lab_row
    WHERE disposition = 'sample'
    GROUP BY sample_id, technique, lab_method, digestion, digestion_class, moisture_basis
);
