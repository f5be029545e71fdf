-- Codes of a cell: 0 quantified, 1 below its limit, 2 above its range.
-- name: put_settled
INSERT INTO lab_cell SELECT * REPLACE (nullif(value, 'NaN') AS value)
FROM incoming;

-- name: revised_rows
SELECT count(*)
FROM lab_row
WHERE has_newer;

-- name: place_again
UPDATE lab_row SET disposition = placed
WHERE list_contains(?, source);

-- name: whole_rows
SELECT source, min(reason) AS reason, count(*) AS gone
FROM lab_cell
JOIN lab_row USING (source)
WHERE code < 0 AND disposition IN ('sample', 'control')
GROUP BY source
HAVING count(DISTINCT reason) = 1
ORDER BY source;

-- name: certificates
SELECT count(DISTINCT certificate)
FROM lab_row
WHERE disposition = 'sample';

-- name: certificate
coalesce(r.certificate, '') AS certificate

-- name: fact
r.{name}

-- name: results
SELECT
    {facts}, coalesce(r.reported_at, r.analysed_at, r.received_at) AS moment, file.path, r."row",
    {code}::INTEGER AS code, {value} AS value, {limit} AS lim
FROM lab_row AS r
JOIN lab ON lab.rowid = r.source
JOIN file ON file.file_id = r.file_id
WHERE ({condition}) AND {code} {among}
ORDER BY r.file_place, r."row", r.sheet;

-- name: any_cell
IS NOT NULL

-- name: results_only
IN (0, 1, 2)

-- name: above_range
= 2

-- name: quantified
= 0

-- name: samples
r.disposition = 'sample'

-- name: these_samples
r.disposition = 'sample' AND list_contains(?, r.sample_id)

-- name: has_issues
EXISTS (
    SELECT 1 FROM lab_row AS old
    WHERE old.has_newer AND old.certificate = r.certificate AND old.sample_id = r.sample_id
)

-- name: is_result
coalesce({code} IN (0, 1, 2), false)::INTEGER

-- name: place_whole_rows
UPDATE lab_row SET disposition = whole.reason
FROM (
    SELECT incoming.source, reason
    FROM incoming JOIN lab ON lab.rowid = incoming.source
    WHERE {counted} <= gone
) AS whole
WHERE lab_row.source = whole.source;

-- name: answered_twice
SELECT count(*)
FROM (
    SELECT 1 FROM lab_row WHERE disposition = 'sample'
    GROUP BY {group} HAVING count(DISTINCT certificate) > 1
);

-- name: same
a.{name} = r.{name}

-- name: by_another
r.disposition = 'sample' AND r.certificate IS NOT NULL AND EXISTS (
    SELECT 1 FROM lab_row AS a
    WHERE a.disposition = 'sample' AND {same} AND a.certificate <> r.certificate
)

-- name: several_laboratories
SELECT sample_id
FROM lab_row
WHERE disposition = 'sample'
GROUP BY sample_id
HAVING count(DISTINCT laboratory) > 1
LIMIT 1;

-- name: several
r.disposition = 'sample' AND r.sample_id IN (
    SELECT sample_id FROM lab_row
    WHERE disposition = 'sample'
    GROUP BY sample_id HAVING count(DISTINCT laboratory) > 1
)

-- name: any_above
coalesce(bool_or({code} = 2), false)

-- name: above
SELECT {asked} FROM lab WHERE file_id IN (SELECT file_id FROM run_file);
