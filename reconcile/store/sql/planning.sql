-- name: field_samples
SELECT *
FROM field_sample
ORDER BY number;

-- name: answered
SELECT DISTINCT sample_id
FROM lab_row
WHERE disposition = 'sample';
