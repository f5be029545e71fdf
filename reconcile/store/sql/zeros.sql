-- name: looked_for
SELECT {columns}
FROM {stored} AS stored
WHERE list_contains($files, file_id);

-- name: is_met
count(*) FILTER (WHERE {of} = 0)

-- name: counted
SELECT file_id, {columns}
FROM {stored} AS stored
WHERE list_contains($files, file_id)
    AND rowid IN (SELECT source FROM {rows} WHERE disposition = 'sample')
GROUP BY file_id
ORDER BY file_id;

-- name: of_analyte
[
    count(*) FILTER (WHERE {code} = 0 AND {value} = 0),
    count(*) FILTER (WHERE {code} = 0),
    min({value}) FILTER (WHERE {code} = 0 AND {value} > 0)
]

-- name: columns
SELECT file_id, lower(key), heading, unit, to_mg_kg
FROM column_meaning
WHERE role = 'value' AND list_contains(?, file_id)
ORDER BY file_id, sheet, position;

-- name: paths
SELECT file_id, path
FROM file
WHERE list_contains(?, file_id);
