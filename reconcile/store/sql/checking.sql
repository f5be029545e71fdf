-- name: files
SELECT file_id, path, kind, problem
FROM file
JOIN run_file USING (file_id)
ORDER BY file_place;

-- name: columns
SELECT path, sheet, heading, role, key, element, species, unit, to_mg_kg, sigma, method, why
FROM column_meaning
JOIN file USING (file_id)
JOIN run_file USING (file_id)
ORDER BY file_place, sheet, position;

-- name: notes
SELECT path, sheet, text
FROM note
JOIN file USING (file_id)
JOIN run_file USING (file_id)
ORDER BY file_place, sheet, text;
