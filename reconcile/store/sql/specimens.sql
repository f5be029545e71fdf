-- name: limits
SELECT grade, element, formula, minimum, maximum, unit
FROM specification_limit
JOIN run_file USING (file_id)
ORDER BY file_place, "row";

-- name: refused_limits
SELECT count(*)
FROM quarantine
JOIN run_file USING (file_id)
JOIN file USING (file_id)
WHERE kind = 'specification limits';

-- name: of_form
SELECT DISTINCT coalesce(identity.sample_id, register.sample_id), specimen_form
FROM register
JOIN run_file USING (file_id)
LEFT JOIN identity ON identity.written_id = register.sample_id;

-- name: lab_sets
SELECT *
FROM lab_sample
ORDER BY number;
