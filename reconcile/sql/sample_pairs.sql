-- The join: one row per sample, field method and lab method, still wide over the elements.
CREATE OR REPLACE TEMP TABLE sample_pair AS
SELECT
    field_mean.sample_id, field_mean."group", field_time, lab_time, certificate,
    field_mean.technique, instrument, calibration, matrix, specimen_form,
    field_mean.moisture_basis AS field_basis, pair_type,
    lab_mean.technique AS lab_technique, lab_method, digestion, digestion_class,
    lab_mean.moisture_basis AS lab_basis
    -- each field key
    , field_mean.{n} AS {f_n}, field_mean.{spots} AS {f_spots}
    , field_mean.{censored} AS {f_censored}, field_mean.{low} AS {f_low}
    , field_mean.{high} AS {f_high}, field_mean.{se} AS {f_se}, field_mean.{sd} AS {f_sd}
    -- end each
    -- each lab key
    , lab_mean.{n} AS {l_n}, lab_mean.{censored} AS {l_censored}
    , lab_mean.{low} AS {l_low}, lab_mean.{high} AS {l_high}, lab_mean.{se} AS {l_se}
    -- end each
FROM field_mean
JOIN lab_mean ON lab_mean.sample_id = field_mean.sample_id;
