-- name: corrections_in
SELECT correction.file, lower(correction.sha256), of_sheet, file_row, "column", corrected_value,
    corrected_by, corrected_because, path, "row"
FROM correction
JOIN file USING (file_id)
WHERE corrected_value IS NOT NULL AND list_contains(?, file_id)
ORDER BY path, "row";

-- name: files_of_entries
SELECT path, "row"
FROM correction
JOIN run_file USING (file_id)
JOIN file USING (file_id);

-- name: met
SELECT DISTINCT entered_in
FROM applied_correction
WHERE list_contains(?, file_id)
ORDER BY entered_in;

-- name: entered
SELECT path, sheet, "row", "column", original, corrected, corrected_by, corrected_because,
    entered_in, refused
FROM applied_correction
JOIN run_file USING (file_id)
JOIN file USING (file_id)
ORDER BY file_place, sheet, "row", "column", entered_in;
