-- name: of_files
list_contains($files, file_id) AND file_id BETWEEN $first AND $last

-- name: named
{of} AS {name}

-- name: filled
count({of})

-- name: counts
SELECT file_id, {counts} FROM {rows} WHERE {which} GROUP BY file_id;

-- name: limits
count_if(signbit({of}))

-- name: rows_of_files
(SELECT count(*) FROM {rows} WHERE {which})

-- name: of_table
(
    SELECT list((file_id, held, added, folded, limits))
    FROM (
        SELECT
            file_id, count(*) AS held, sum(hashed) AS added, bit_xor(hashed) AS folded,
            list_value({limits}) AS limits
        FROM (
            SELECT file_id, hash({names}) AS hashed, {names}
            FROM (SELECT file_id, {columns} FROM {rows} WHERE {which})
        )
        GROUP BY file_id
    )
)

-- name: of_tables
SELECT {tables};
