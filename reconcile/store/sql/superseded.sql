-- name: name_links
SELECT lab_cell.*, coalesce(certificate, '') AS certificate, technique, lab_method, digestion,
    laboratory
FROM lab_cell
JOIN lab_row USING (source)
ORDER BY lab_cell.sample_id, element, link;

-- name: superseded_rows
SELECT lab_cell.sample_id, element, reason, link
FROM lab_cell
JOIN lab_row USING (source)
WHERE placed <> 'other period'
ORDER BY lab_cell.sample_id, element, reason, link, key;

-- name: settled
SELECT count(*)
FROM lab_cell;

-- name: revised_rows
SELECT count(*)
FROM lab_row
WHERE has_newer;

-- name: results_by_reason
SELECT disposition, coalesce(c.reason, ''), count(*)
FROM lab_row AS r
JOIN lab ON lab.rowid = r.source
LEFT JOIN lab_cell AS c ON c.source = r.source AND c.key = ? AND c.code < 0
WHERE {code} IN (0, 1, 2) AND r.sample_kind = 'sample'
    AND (disposition = 'sample' OR list_contains(?, disposition))
GROUP BY 1, 2;

-- name: results_of
SELECT count(*) AS n
FROM lab_row
JOIN lab ON lab.rowid = lab_row.source
WHERE disposition = 'sample' AND {code} IN (0, 1, 2)

-- name: results_kept
SELECT coalesce(sum(n), 0)
FROM (
    {each}
    UNION ALL
    SELECT -count(*)
    FROM lab_cell
    JOIN lab_row USING (source)
    WHERE code < 0 AND disposition = 'sample'
);
