-- The rows behind the field means, sorted by sample, spot and place in the files.
SELECT field_row.source, field_sample.number AS "group", field_row.spot
FROM field_row
JOIN field_sample ON field_row.sample_id = field_sample.sample_id
    AND field_row.technique IS NOT DISTINCT FROM field_sample.technique
    AND field_row.instrument IS NOT DISTINCT FROM field_sample.instrument
    AND field_row.calibration IS NOT DISTINCT FROM field_sample.calibration
    AND field_row.matrix = field_sample.matrix
    AND field_row.specimen_form = field_sample.specimen_form
    AND field_row.moisture_basis = field_sample.moisture_basis
    AND field_row.pair_type = field_sample.pair_type
    AND field_row.place_key = field_sample.place_key
WHERE disposition = 'sample'
ORDER BY field_sample.number, field_row.spot, file_place, "row", sheet;
