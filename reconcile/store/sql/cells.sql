-- name: no_number
NULL::DOUBLE

-- name: no_code
NULL::TINYINT

-- name: plain_value
CASE WHEN NOT signbit({plain}) THEN {plain} END

-- name: plain_code
signbit({plain})::TINYINT

-- name: plain_limit
CASE WHEN signbit({plain}) THEN -{plain} END

-- name: first
coalesce({choices})

-- name: folded_number
coalesce({plain}, CASE
    WHEN {error} IS NOT NULL THEN NULL
    WHEN {code} = 0 AND {limit} IS NULL AND NOT signbit({value}) THEN {value}
    WHEN {code} = 1 AND {value} IS NULL AND NOT signbit({limit}) THEN -{limit}
END)

-- name: folded_other
CASE
    WHEN {number} IS NULL AND coalesce({value}, {code}, {limit}, {error}) IS NOT NULL
    THEN hash({value}, {code}, {limit}, {error})
END
