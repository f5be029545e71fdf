SELECT
    sample_id, "group", field_time, lab_time, coalesce(certificate, '') AS certificate,
    technique, instrument, calibration, matrix, specimen_form, field_basis, pair_type,
    lab_technique, lab_method, digestion, digestion_class, lab_basis,
    {f_n} AS field_n, {f_spots} AS field_spots, {f_censored} AS field_censored,
    {f_low} AS field_low, {f_high} AS field_high, {f_se} AS field_se, {f_sd} AS field_sd,
    {l_n} AS lab_n, {l_censored} AS lab_censored, {l_low} AS lab_low, {l_high} AS lab_high,
    {l_se} AS lab_se
FROM sample_pair
WHERE {f_n} > 0 AND {l_n} > 0
ORDER BY ALL;
