-- name: files
SELECT file_id
FROM run_file
ORDER BY file_place;

-- name: instruments
SELECT
    instrument, coalesce(make, ''), coalesce(model, ''), coalesce(software, ''),
    coalesce(calibration, ''), coalesce(strftime(calibration_due, '%Y-%m-%d'), ''),
    coalesce(licence, '')
FROM instrument
WHERE list_contains(?, file_id)
ORDER BY instrument, list_position(?, file_id), "row";

-- name: laboratories
SELECT
    laboratory, coalesce(lab_method, ''), coalesce(scope, ''), coalesce(accreditation, ''),
    coalesce(strftime(valid_until, '%Y-%m-%d'), '')
FROM laboratory
WHERE list_contains(?, file_id)
ORDER BY laboratory, lab_method NULLS FIRST, list_position(?, file_id), "row";

-- name: conditions
SELECT
    coalesce(r.technique, ''), coalesce(r.instrument, ''), coalesce(r.calibration, ''),
    list_sort(list_distinct(list(f.model))), list_sort(list_distinct(list(f.software))),
    list_sort(list_distinct(list(f.temperature))), list_sort(list_distinct(list(f.filter))),
    list_sort(list_distinct(list(f.gas_purge))),
    list_sort(list_distinct(list(format('{:g}', f.count_time_s)))),
    min(try_cast(f.latitude AS DOUBLE)), max(try_cast(f.latitude AS DOUBLE)),
    min(try_cast(f.longitude AS DOUBLE)), max(try_cast(f.longitude AS DOUBLE))
FROM field_row AS r
JOIN field AS f ON f.rowid = r.source
WHERE r.disposition = 'sample'
GROUP BY ALL
ORDER BY ALL;

-- name: last_read
-- Last day of readings by each instrument, and of reports by each laboratory.
SELECT 'instrument', instrument, max(measured_at)
FROM field_row
WHERE disposition = 'sample' AND instrument IS NOT NULL
GROUP BY instrument
UNION ALL
SELECT 'laboratory', laboratory, max(coalesce(analysed_at, reported_at, received_at))
FROM lab_row
WHERE disposition = 'sample' AND laboratory <> ''
GROUP BY laboratory
ORDER BY ALL;

-- name: readers
-- Who read samples, by which technique, and until when.
SELECT operator, coalesce(technique, ''), max(measured_at)
FROM field_row
WHERE disposition = 'sample' AND operator IS NOT NULL
GROUP BY ALL
ORDER BY ALL;

-- name: of_sample
-- Instruments and operators of a sample's readings, laboratories and methods of its results.
SELECT DISTINCT 'instrument', instrument, ''
FROM field
WHERE list_contains($files, file_id) AND list_contains($names, sample_id) AND instrument IS NOT NULL
UNION
SELECT DISTINCT 'person', operator, technique
FROM field
WHERE list_contains($files, file_id) AND list_contains($names, sample_id) AND operator IS NOT NULL
UNION
SELECT DISTINCT 'laboratory', laboratory, lab_method
FROM lab
WHERE list_contains($files, file_id) AND list_contains($names, sample_id) AND laboratory IS NOT NULL
ORDER BY ALL;
