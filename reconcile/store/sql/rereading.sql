-- name: files
SELECT path, sha256, reading_key
FROM file;
