-- name: high_means
SELECT sample_id, coalesce(technique, '') AS technique, coalesce(instrument, '') AS instrument,
    coalesce(calibration, '') AS calibration, spot, file_id, sum_pct
FROM field_row
JOIN reported_sum USING (file_id, sheet, "row")
WHERE disposition = 'sample'
ORDER BY sample_id, file_place, sheet, "row";
