-- name: instruments
SELECT
    instrument, coalesce(make, ''), coalesce(model, ''), coalesce(software, ''),
    coalesce(calibration, ''), coalesce(strftime(calibration_due, '%Y-%m-%d'), ''),
    coalesce(licence, '')
FROM instrument
JOIN run_file USING (file_id)
ORDER BY instrument, file_place, "row";

-- name: laboratories
SELECT
    laboratory, coalesce(lab_method, ''), coalesce(scope, ''), coalesce(accreditation, ''),
    coalesce(strftime(valid_until, '%Y-%m-%d'), '')
FROM laboratory
JOIN run_file USING (file_id)
ORDER BY laboratory, lab_method NULLS FIRST, file_place, "row";

-- name: conditions
SELECT
    coalesce(r.technique, ''), coalesce(r.instrument, ''), coalesce(r.calibration, ''),
    list_sort(list_distinct(list(f.model))), list_sort(list_distinct(list(f.software))),
    list_sort(list_distinct(list(f.temperature))), list_sort(list_distinct(list(f.filter))),
    list_sort(list_distinct(list(f.gas_purge))),
    list_sort(list_distinct(list(CAST(f.count_time_s AS VARCHAR)))),
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
