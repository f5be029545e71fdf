-- What each field instrument read and when: ordinary samples and controls, by day (UTC).
SELECT
    technique, instrument, calibration, measured_at AS at,
    coalesce(strftime(measured_at, '%Y-%m-%d'), '') AS "day", sample_id, sample_kind
FROM field_row
WHERE disposition IN ('sample', 'control')
ORDER BY file_place, "row", sheet;
