-- name: aliases
SELECT * EXCLUDE (file_id, sheet)
FROM alias
WHERE list_contains(?, file_id)
ORDER BY file_id, "row";

-- name: lab_times
SELECT sample_id, certificate, received_at, analysed_at, reported_at
FROM lab_row
WHERE disposition IN ('sample', 'no result')
ORDER BY ALL;

-- name: field_times
SELECT sample_id, measured_at
FROM field_row
WHERE disposition IN ('sample', 'no result')
ORDER BY ALL;

-- name: samples_of
SELECT DISTINCT sample_id
FROM {rows}
WHERE disposition IN ('sample', 'no result')
ORDER BY 1;
