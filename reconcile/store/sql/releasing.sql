-- name: files_of_other_periods
SELECT file_id
FROM (SELECT file_id, disposition FROM field_row UNION ALL SELECT file_id, disposition FROM
    lab_row)
GROUP BY file_id
HAVING bool_and(disposition = 'other period');

-- name: data_until
SELECT max(moment)
FROM (SELECT measured_at AS moment FROM field_row WHERE disposition = 'sample' UNION ALL SELECT
    coalesce(reported_at, analysed_at, received_at) FROM lab_row WHERE disposition = 'sample');

-- name: refused_column
quarantine.{name}

-- name: refused
SELECT {columns}, sha256
FROM quarantine
JOIN run_file USING (file_id)
JOIN file USING (file_id)
ORDER BY file_place, {columns};

-- name: left_out
SELECT placed.sample_id, disposition, path, "row"
FROM {rows} AS placed
JOIN file USING (file_id)
WHERE disposition NOT IN ('sample', 'control', 'other period')
ORDER BY file_place, "row";

-- name: awaited
SELECT dispatch, min(dispatched_at), count(*)
FROM register_row
WHERE list_contains(?, sample_id) AND dispatch IS NOT NULL
GROUP BY dispatch
ORDER BY dispatch;
