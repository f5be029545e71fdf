-- name: readings
SELECT path, file_id, sha256, reading_key
FROM file
ORDER BY file_id;

-- name: chosen_by_ids
SELECT DISTINCT file_id
FROM column_meaning
WHERE key = 'sample_id' AND role <> 'fact';

-- name: aliases
SELECT written_id, sample_id
FROM alias
WHERE list_contains(?, file_id);

-- name: dispatches
SELECT DISTINCT dispatch
FROM register
WHERE list_contains(?, file_id) AND list_contains(?, sample_id) AND dispatch IS NOT NULL;

-- name: custody
SELECT "at", event, "by", "to", seal, seal_intact, place, containers, mass_g, note, dispatch,
    path, "row"
FROM custody_event
JOIN file USING (file_id)
WHERE list_contains(?, file_id) AND (list_contains(?, sample_id) OR (sample_id IS NULL AND
    list_contains(?, dispatch)))
ORDER BY "at", file_id, "row";

-- name: register
SELECT collected_at, collected_by, matrix, specimen_form, moisture_basis, place, selection,
    ordered_grade, path, "row"
FROM register
JOIN file USING (file_id)
WHERE list_contains(?, file_id) AND list_contains(?, sample_id)
ORDER BY file_id, "row";

-- name: written_ids
SELECT DISTINCT sample_id
FROM {rows}
WHERE list_contains(?, file_id) AND sample_id IS NOT NULL;

-- name: corrected
SELECT DISTINCT
    c."column", c.original, c.corrected, c.corrected_by, c.corrected_because, c.entered_in,
    path, c."row"
FROM applied_correction AS c
JOIN file USING (file_id)
JOIN (
    SELECT file_id, coalesce(sheet, '') AS sheet, "row", sample_id FROM field
    UNION ALL
    SELECT file_id, coalesce(sheet, '') AS sheet, "row", sample_id FROM lab
    UNION ALL
    SELECT file_id, coalesce(sheet, '') AS sheet, "row", sample_id FROM register
    UNION ALL
    SELECT file_id, coalesce(sheet, '') AS sheet, "row", sample_id FROM custody_event
) AS r ON r.file_id = c.file_id AND r.sheet = c.sheet AND r."row" = c."row"
WHERE list_contains(?, c.file_id) AND list_contains(?, r.sample_id) AND c.refused = ''
ORDER BY path, c."row", c."column";

-- name: results
SELECT {columns}, {at} AS "line at", {who} AS "line who"
FROM {rows}
JOIN file USING (file_id)
WHERE list_contains(?, file_id) AND list_contains(?, sample_id)
ORDER BY file_id, "row";

-- name: field_time
measured_at

-- name: lab_time
coalesce(reported_at, analysed_at, received_at)

-- name: named
{of} AS {name}

-- name: spots
SELECT DISTINCT coalesce(spot_no, reading_no)
FROM field
WHERE list_contains(?, file_id) AND list_contains(?, sample_id)
    AND coalesce(spot_no, reading_no) IS NOT NULL
ORDER BY 1;

-- name: certificates
SELECT DISTINCT certificate
FROM lab
WHERE list_contains(?, file_id) AND list_contains(?, sample_id) AND certificate IS NOT NULL
ORDER BY 1;
