-- name: rows_of_run
SELECT kept.* EXCLUDE (file_id, sheet)
FROM {rows} AS kept
JOIN run_file USING (file_id)
ORDER BY file_place, "row";
