-- name: of_samples
-- How each sample was chosen, by the first entries that say so.
SELECT
    coalesce(identity.sample_id, register.sample_id) AS sample_id,
    coalesce(first(selection ORDER BY file_place, register.sheet, register."row")
        FILTER (selection IS NOT NULL), '') AS selection,
    first(selection_probability ORDER BY file_place, register.sheet, register."row")
        FILTER (selection_probability IS NOT NULL) AS selection_probability
FROM register
JOIN run_file USING (file_id)
LEFT JOIN identity ON identity.written_id = register.sample_id
WHERE register.sample_id IS NOT NULL
    AND (selection IS NOT NULL OR selection_probability IS NOT NULL)
GROUP BY 1
ORDER BY 1;

-- name: sent
-- Samples that the field read, by kind, and those that the laboratory has answered for.
SELECT
    concat_ws(' · ', technique, instrument, calibration, nullif(matrix, ''),
        nullif(specimen_form, ''), nullif(moisture_basis, '')) AS kind,
    count(DISTINCT sample_id),
    count(DISTINCT sample_id) FILTER (sample_id IN (
        SELECT sample_id FROM lab_row WHERE disposition = 'sample'
    ))
FROM field_sample
GROUP BY kind
ORDER BY kind;
