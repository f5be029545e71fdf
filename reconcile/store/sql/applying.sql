-- name: other_dispositions
SELECT disposition, count(*)
FROM field_row
WHERE disposition <> 'sample'
GROUP BY 1
ORDER BY 1;
