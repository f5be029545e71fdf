-- name: rows_of_file
(SELECT count(*) FROM {rows} WHERE file_id = $1)

-- name: counts
SELECT {counts};

-- name: filled
count({of})

-- name: limits
count_if(signbit({of}))

-- name: hashes
sum(hash({columns})), bit_xor(hash({columns}))

-- name: of_file
SELECT {columns} FROM {rows} WHERE file_id = ?;
