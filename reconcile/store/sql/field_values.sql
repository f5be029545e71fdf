-- name: samples
SELECT s.*, max(r.measured_at) AS last_time, count(*) FILTER (WHERE r.measured_at IS NULL) AS
    untimed
FROM field_sample AS s
JOIN field_row AS r ON r.disposition = 'sample' AND r.sample_id = s.sample_id AND r.technique IS
    NOT DISTINCT
FROM s.technique AND r.instrument IS NOT DISTINCT
FROM s.instrument AND r.calibration IS NOT DISTINCT
FROM s.calibration AND r.matrix = s.matrix AND r.specimen_form = s.specimen_form AND
    r.moisture_basis = s.moisture_basis AND r.pair_type = s.pair_type AND
    r.place_key = s.place_key AND r."group" = s."group"
GROUP BY ALL
ORDER BY number;
