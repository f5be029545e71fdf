-- name: spellings
SELECT {fact}, count(*) FROM {rows} WHERE {fact} <> '' GROUP BY 1 ORDER BY 1;

-- name: respell
UPDATE {rows} SET {fact} = ? WHERE list_contains(?, {fact});
