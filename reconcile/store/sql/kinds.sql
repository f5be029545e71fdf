-- name: varchar
VARCHAR

-- name: double
DOUBLE

-- name: bigint
BIGINT

-- name: tinyint
TINYINT

-- name: timestamp
TIMESTAMP
