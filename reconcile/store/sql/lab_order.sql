-- The rows behind the lab means, sorted by sample and place in the files.
SELECT lab_row.source, lab_sample.number AS "group", '' AS spot
FROM lab_row
JOIN lab_sample USING (
    sample_id, laboratory, technique, lab_method, digestion, digestion_class, moisture_basis,
    place_key
)
WHERE disposition = 'sample'
ORDER BY lab_sample.number, file_place, "row", sheet;
