-- name: field_rows
SELECT disposition, count(*)
FROM field_row
GROUP BY 1;

-- name: controls
SELECT count(*)
FROM (SELECT disposition FROM field_row UNION ALL SELECT disposition FROM lab_row)
WHERE disposition = 'control';

-- name: elsewhere
SELECT date_trunc('minute', measured_at), count(*)
FROM field_row
WHERE disposition = 'other period'
GROUP BY 1;

-- name: lab_rows
SELECT count(*) FROM lab_row
WHERE disposition NOT IN ('other period', 'no time of report') AND (? OR of_period);

-- name: refused
SELECT count(*)
FROM quarantine
JOIN run_file USING (file_id)
JOIN file USING (file_id)
WHERE kind IN ('field', 'lab') AND (? OR of_period);
