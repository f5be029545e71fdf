-- name: solid
SELECT certificate
FROM lab_row
WHERE certificate IS NOT NULL
GROUP BY certificate
HAVING bool_and(lower(digestion) LIKE 'none%');

-- name: results
SELECT rowid AS source, CASE WHEN {code} = 0 THEN {value} END AS value, {error} AS error
FROM field
WHERE file_id IN (SELECT file_id FROM run_file)
ORDER BY rowid;
