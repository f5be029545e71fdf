-- The join by sample id: which field mean stands against which lab mean.
CREATE OR REPLACE TEMP TABLE sample_pair AS
SELECT
    field_sample.number AS field_number, lab_sample.number AS lab_number,
    field_sample.sample_id, field_sample."group", field_time, field_times, lab_time, certificate,
    coalesce(field_sample.technique, '') AS technique, coalesce(instrument, '') AS instrument,
    coalesce(calibration, '') AS calibration, matrix, specimen_form,
    field_sample.moisture_basis AS field_basis, pair_type,
    lab_sample.technique AS lab_technique, lab_method, digestion, digestion_class,
    lab_sample.moisture_basis AS lab_basis
FROM field_sample
JOIN lab_sample ON lab_sample.sample_id = field_sample.sample_id
ORDER BY field_number, lab_number;
