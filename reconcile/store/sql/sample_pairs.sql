-- The join by sample id: which field mean stands against which lab mean.
CREATE OR REPLACE TEMP TABLE sample_pair AS
SELECT field_sample.number AS field_number, lab_sample.number AS lab_number, sample_id
FROM field_sample
JOIN lab_sample USING (sample_id, place_key)
ORDER BY field_number, lab_number;
