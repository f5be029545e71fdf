-- name: same_headings
SELECT sheet, f.heading
FROM column_meaning AS f
JOIN column_meaning AS l USING (sheet, position)
WHERE f.file_id = ? AND l.file_id = ? AND f.role = l.role AND (f.role = 'value' OR (f.role =
    'fact' AND f.key = 'value' AND l.key = f.key))
ORDER BY sheet, position;

-- name: same_rows
SELECT sheet, count(*)
FROM field
JOIN lab USING (sheet, "row")
WHERE field.file_id = ? AND lab.file_id = ? AND coalesce(field.sample_kind, '') <> 'leave out'
    AND coalesce(lab.sample_kind, '') <> 'leave out'
GROUP BY sheet
ORDER BY sheet;
