-- One row per field mean: a sample by one method, in one form. Numbered in a fixed order.
CREATE OR REPLACE TEMP TABLE field_sample AS
SELECT row_number() OVER () - 1 AS number, *
FROM (
    SELECT
        sample_id, technique, instrument, calibration, matrix, specimen_form, moisture_basis,
        pair_type, min("group") AS "group", min(measured_at) AS field_time,
        list_sort(list_distinct(list(measured_at))) AS field_times,
        list_sort(list_distinct(list(operator))) AS operator
    FROM field_row
    WHERE disposition = 'sample'
    GROUP BY sample_id, technique, instrument, calibration, matrix, specimen_form,
        moisture_basis, pair_type
    ORDER BY sample_id, technique, instrument, calibration, matrix, specimen_form,
        moisture_basis, pair_type
);
