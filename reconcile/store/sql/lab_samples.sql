-- One row per lab mean: a sample by one method. Numbered in a fixed order.
CREATE OR REPLACE TEMP TABLE lab_sample AS
WITH mean AS (
    SELECT
        sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key,
        max(part_role) AS part_role,
        max(coalesce(reported_at, analysed_at, received_at)) AS lab_time,
        CASE WHEN count(DISTINCT lab_id) = 1 THEN min(lab_id) END AS lab_id,
        min(certificate) AS certificate, max(certificate) AS last_certificate
    FROM lab_row
    WHERE disposition = 'sample'
    GROUP BY sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key
),
-- A list sorted for every mean costs more than all the rest; few means need one.
several AS (
    SELECT
        sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key,
        list_sort(list_distinct(list(lab_row.certificate))) AS certificates
    FROM lab_row
    JOIN (FROM mean WHERE certificate <> last_certificate) USING (
        sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key
    )
    WHERE disposition = 'sample'
    GROUP BY sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key
)
SELECT row_number() OVER () - 1 AS number, *
FROM (
    SELECT mean.* EXCLUDE (last_certificate) REPLACE (
        coalesce(certificates, [certificate]) AS certificate
    )
    FROM mean
    LEFT JOIN several USING (
        sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key
    )
    ORDER BY sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
        place_key
);
