-- name: answered
-- Laboratories of the ordinary results of the run, and how many of their samples another one
-- answers for too.
WITH own AS (
    SELECT laboratory, sample_id, certificate
    FROM lab_row
    WHERE disposition IN ('sample', ?)
),
several AS (
    SELECT sample_id FROM own GROUP BY sample_id HAVING count(DISTINCT laboratory) > 1
)
SELECT
    laboratory, count(DISTINCT certificate), count(DISTINCT sample_id),
    count(DISTINCT sample_id) FILTER (sample_id IN (FROM several))
FROM own
GROUP BY laboratory
ORDER BY laboratory;

-- name: of_samples
r.placed = 'sample' AND NOT r.has_newer AND r.sample_id IN (
    SELECT sample_id FROM lab_row
    WHERE placed = 'sample'
    GROUP BY sample_id HAVING count(DISTINCT laboratory) > 1
)

-- name: settled
SELECT source, key, code, value, reason
FROM lab_cell;
