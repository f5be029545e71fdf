-- name: notes
SELECT path, sheet, text
FROM note
JOIN file USING (file_id)
WHERE list_contains(?, file_id)
ORDER BY list_position(?, file_id), sheet, text;

-- name: sheets
SELECT count(*)
FROM sheet
WHERE list_contains(?, file_id);

-- name: headings
SELECT heading, count(*), arg_min(why, (list_position(?, file_id), sheet))
FROM column_meaning
WHERE role = ? AND list_contains(?, file_id)
GROUP BY heading;

-- name: asked
SELECT path, sheet, heading, why
FROM column_meaning
JOIN file USING (file_id)
WHERE role = 'asked' AND list_contains(?, file_id)
ORDER BY list_position(?, file_id), sheet, position;

-- name: has_ids
SELECT 1
FROM column_meaning
WHERE file_id = ? AND key = 'sample_id' AND role <> 'fact';

-- name: ids
SELECT sample_id
FROM register
WHERE list_contains(?, file_id)
UNION SELECT written_id
FROM alias
WHERE list_contains(?, file_id);

-- name: register_files
SELECT path, sha256, reading_key
FROM file
WHERE list_contains(?, file_id) AND kind = 'sample register'
ORDER BY file_id;

-- name: register_rows
SELECT * EXCLUDE (file_id, sheet)
FROM register
WHERE list_contains(?, file_id)
ORDER BY file_id, "row";
