-- What each field instrument read and when: ordinary samples and controls; the day is
-- added by the calendar of the place.
SELECT
    technique, instrument, calibration, measured_at AS at, sample_id, sample_kind,
    moisture_basis
FROM field_row
WHERE disposition IN ('sample', 'control')
ORDER BY file_place, "row", sheet;
