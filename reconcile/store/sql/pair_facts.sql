-- What is known of every pair of means.
SELECT
    field_number, lab_number, sample_pair.sample_id,
    "group", field_time, field_times, operator, places, several_roles, lab_time, certificate,
    coalesce(field_sample.technique, '') AS technique, coalesce(instrument, '') AS instrument,
    coalesce(calibration, '') AS calibration, matrix,
    -- base metal and weld metal are two materials
    concat_ws(', ', nullif(specimen_form, ''), part_role) AS specimen_form,
    field_sample.moisture_basis AS field_basis, pair_type,
    lab_sample.technique AS lab_technique, laboratory, lab_method, digestion,
    digestion_class,
    lab_sample.moisture_basis AS lab_basis, lab_id
FROM sample_pair
JOIN field_sample ON field_sample.number = field_number
JOIN lab_sample ON lab_sample.number = lab_number
ORDER BY field_number, lab_number;
