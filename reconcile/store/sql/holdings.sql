-- name: files
SELECT file_id, path, sha256, reading_key
FROM file
ORDER BY 1;

-- name: of_no_file
SELECT 1 FROM {rows} WHERE file_id NOT IN (SELECT file_id FROM file) LIMIT 1;
