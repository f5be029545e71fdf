-- One register row per sample: the first entry stands, later ones are found by the checks.
CREATE OR REPLACE TEMP TABLE register_row AS
SELECT register.* REPLACE (
    coalesce(identity.sample_id, register.sample_id) AS sample_id
)
FROM register
JOIN run_file USING (file_id)
LEFT JOIN identity ON identity.written_id = register.sample_id
WHERE register.sample_id IS NOT NULL
QUALIFY row_number() OVER (
    PARTITION BY coalesce(identity.sample_id, register.sample_id)
    ORDER BY run_file.file_place, register.sheet, register."row"
) = 1
ORDER BY coalesce(identity.sample_id, register.sample_id);
