-- name: counts
SELECT file_id, coalesce((SELECT sum(rows_in_file) FROM sheet s WHERE s.file_id = f.file_id),
    0)::BIGINT AS rows, coalesce((SELECT sum(accepted) FROM sheet s WHERE s.file_id =
    f.file_id), 0)::BIGINT AS accepted, (SELECT count(*) FROM row_without_result r WHERE
    r.file_id = f.file_id) AS without_result, (SELECT count(DISTINCT (coalesce(sheet, ''),
    "row")) FROM quarantine q WHERE q.file_id = f.file_id AND "column" = '') AS refused_rows,
    coalesce((SELECT sum(rows) FROM set_aside a WHERE a.file_id = f.file_id), 0)::BIGINT AS
    set_aside, (SELECT count(*) FROM quarantine q WHERE q.file_id = f.file_id AND "column" <>
    '') AS refused_cells
FROM run_file AS f
ORDER BY file_place;

-- name: set_aside
SELECT file_id, sheet, reason, sum(rows)
FROM set_aside
JOIN run_file USING (file_id)
GROUP BY ALL
ORDER BY ALL;

-- name: refused_rows
SELECT file_id, sheet, reason, count(*)
FROM (SELECT file_id, coalesce(sheet, '') AS sheet, "row", min(reason) AS reason FROM quarantine
    JOIN run_file USING (file_id) WHERE "column" = '' AND "row" > 0 GROUP BY file_id, sheet,
    "row")
GROUP BY ALL
ORDER BY ALL;

-- name: dispositions
SELECT file_id, coalesce(sheet, ''), disposition, count(*)
FROM (SELECT file_id, sheet, disposition FROM field_row UNION ALL SELECT file_id, sheet,
    disposition FROM lab_row)
GROUP BY ALL
ORDER BY ALL;

-- name: sheets
SELECT file_id, path, kind, sheet, rows_in_file, accepted, lines_in_file, lines_above,
    lines_joined
FROM sheet
JOIN run_file USING (file_id)
JOIN file USING (file_id)
ORDER BY file_place, sheet;
