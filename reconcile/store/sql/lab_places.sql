-- name: stated
-- Places of metal parts that the laboratory names, of samples whose readings name places too.
CREATE OR REPLACE TEMP TABLE lab_place AS
SELECT DISTINCT lab_row.source, lab_row.sample_id,
    nullif(lower(trim(lab.location)), '') AS location, nullif(lab.part_role, '') AS part_role
FROM lab_row
JOIN lab ON lab.rowid = lab_row.source
WHERE lab_row.disposition = 'sample'
    AND (lab.part_role IS NOT NULL OR (lab.location IS NOT NULL
        AND lab_row.moisture_basis = 'not applicable'))
    AND lab_row.sample_id IN (
        SELECT sample_id FROM field_row
        WHERE disposition = 'sample' AND (location IS NOT NULL OR part_role IS NOT NULL)
    );

-- name: count
SELECT count(*) FROM lab_place;

-- name: mark_field
-- A reading is at the laboratory's place where both name the same location, else the same role.
UPDATE field_row SET place_key = place.name
FROM (
    SELECT
        field_row.source,
        arg_min(concat_ws(', ', place.location, nullif(place.part_role, place.location)),
            CASE WHEN lower(trim(field_row.location)) = place.location THEN 0 ELSE 1 END) AS name
    FROM field_row
    JOIN (SELECT DISTINCT sample_id, location, part_role FROM lab_place) AS place
        ON field_row.sample_id = place.sample_id
        AND (
            lower(trim(field_row.location)) = place.location
            OR (field_row.part_role = place.part_role AND (
                place.location IS NULL OR NOT EXISTS (
                    SELECT 1 FROM field_row AS other
                    WHERE other.sample_id = place.sample_id
                        AND lower(trim(other.location)) = place.location
                )
            ))
        )
    WHERE field_row.disposition = 'sample'
    GROUP BY field_row.source
) AS place
WHERE field_row.source = place.source;

-- name: mark_lab
UPDATE lab_row
SET place_key = concat_ws(', ', place.location, nullif(place.part_role, place.location)),
    part_role = place.part_role
FROM lab_place AS place
WHERE lab_row.source = place.source;

-- name: unmet
-- Places of the laboratory that no reading of the sample names.
SELECT DISTINCT sample_id, place_key
FROM lab_row
WHERE disposition = 'sample' AND place_key <> '' AND NOT EXISTS (
    SELECT 1 FROM field_row
    WHERE field_row.disposition = 'sample' AND field_row.sample_id = lab_row.sample_id
        AND field_row.place_key = lab_row.place_key
)
ORDER BY ALL;
