-- One row per field mean: a sample by one method, in one form. Numbered in a fixed order.
CREATE OR REPLACE TEMP TABLE field_sample AS
SELECT row_number() OVER () - 1 AS number, *
FROM (
    SELECT
        sample_id, technique, instrument, calibration, matrix, specimen_form, moisture_basis,
        pair_type, place_key, min("group") AS "group", min(measured_at) AS field_time,
        list_sort(list_distinct(list(measured_at))) AS field_times,
        list_sort(list_distinct(list(operator))) AS operator,
        list_sort(list_distinct(list(nullif(concat_ws(', ',
            location, nullif(part_role, location), position_mm || ' mm'
        ), '')))) AS places,
        -- base metal and weld metal of one part are two materials
        moisture_basis = 'not applicable' AND count(DISTINCT part_role) FILTER (
            part_role IN ('base metal', 'heat-affected zone', 'weld metal')
        ) > 1 AS several_roles
    FROM field_row
    WHERE disposition = 'sample'
    GROUP BY sample_id, technique, instrument, calibration, matrix, specimen_form,
        moisture_basis, pair_type, place_key
    ORDER BY sample_id, technique, instrument, calibration, matrix, specimen_form,
        moisture_basis, pair_type, place_key
);
