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

-- name: positions
-- What rows of samples state of where they were taken: the register first, then readings.
SELECT sample_id, longitude, latitude, easting, northing, coordinate_system
FROM (
    SELECT sample_id, longitude, latitude, easting, northing, coordinate_system,
        0 AS side, 0 AS file_place, "row"
    FROM register_row
    UNION ALL
    SELECT r.sample_id, f.longitude, f.latitude, f.easting, f.northing, f.coordinate_system,
        1, r.file_place, r."row"
    FROM field_row AS r
    JOIN field AS f ON f.rowid = r.source
    WHERE r.disposition = 'sample'
)
WHERE coalesce(longitude, latitude, easting, northing) IS NOT NULL
    AND sample_id IN (SELECT sample_id FROM field_row WHERE disposition = 'sample')
ORDER BY sample_id, side, file_place, "row";
