-- name: rows
-- Rows of the field means whose readings state places, and of all means of metal.
WITH stated AS (
    SELECT
        field_row.*, field_sample.number,
        coalesce(field_row.location, '') AS at_location, coalesce(field_row.part_role, '') AS role
    FROM field_row
    JOIN field_sample ON field_row.sample_id = field_sample.sample_id
        AND field_row.technique IS NOT DISTINCT FROM field_sample.technique
        AND field_row.instrument IS NOT DISTINCT FROM field_sample.instrument
        AND field_row.calibration IS NOT DISTINCT FROM field_sample.calibration
        AND field_row.matrix = field_sample.matrix
        AND field_row.specimen_form = field_sample.specimen_form
        AND field_row.moisture_basis = field_sample.moisture_basis
        AND field_row.pair_type = field_sample.pair_type
        AND field_row.place_key = field_sample.place_key
    WHERE disposition = 'sample'
),
of_part AS (
    SELECT number
    FROM stated
    GROUP BY number
    HAVING bool_or(location IS NOT NULL OR part_role IS NOT NULL OR position_mm IS NOT NULL)
        OR any_value(moisture_basis) = 'not applicable'
)
SELECT
    stated.source, number, at_location, role, stated.position_mm, stated.spot,
    coalesce('spot ' || field.spot_no, 'reading ' || field.reading_no, 'row ' || stated."row")
        AS spot_name,
    stated.measured_at, coalesce(stated.ordered_grade, register.ordered_grade, '') AS ordered
FROM stated
JOIN of_part USING (number)
JOIN field ON field.rowid = stated.source
LEFT JOIN register_row AS register ON register.sample_id = stated.sample_id
ORDER BY number, position_mm NULLS FIRST, at_location, role, spot, file_place, stated."row",
    stated.sheet;

-- name: ordered
-- The grade that each sample should be, by its readings and the register.
SELECT sample_id, min(grade)
FROM (
    SELECT sample_id, ordered_grade AS grade FROM field_row
    WHERE disposition = 'sample' AND ordered_grade IS NOT NULL
    UNION ALL
    SELECT sample_id, ordered_grade FROM register_row WHERE ordered_grade IS NOT NULL
)
GROUP BY sample_id;
