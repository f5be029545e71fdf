-- Every entry of each sample in the first register file that holds it: an id entered twice
-- in one register is a fault, the same register given again in a later file is none.
SELECT register.* EXCLUDE (file_id, sheet) REPLACE (
    coalesce(identity.sample_id, register.sample_id) AS sample_id
)
FROM register
JOIN run_file USING (file_id)
LEFT JOIN identity ON identity.written_id = register.sample_id
WHERE register.sample_id IS NOT NULL
QUALIFY run_file.file_place = min(run_file.file_place) OVER (
    PARTITION BY coalesce(identity.sample_id, register.sample_id)
)
ORDER BY coalesce(identity.sample_id, register.sample_id), register.sheet, register."row";
