-- name: samples_read
SELECT sample_id, technique
FROM field_sample
ORDER BY number;

-- name: field_time
measured_at

-- name: lab_time
coalesce(analysed_at, reported_at, received_at)

-- name: controls_of_files
-- controls of the period, and those of its files up to its end
disposition = 'control' OR (
    disposition = 'other period' AND sample_kind <> 'sample'
    AND file_id IN (SELECT file_id FROM {rows} WHERE disposition <> 'other period')
    AND ({at} < $finish OR $finish >= TIMESTAMP '9999-01-01')  -- rows without a time too
)

-- name: controls
disposition = 'control'

-- name: samples
disposition = 'sample'

-- name: of_samples
disposition = 'sample' AND list_contains($samples, sample_id)

-- name: field_facts
SELECT
    source, sample_kind, coalesce(reference_code, '') AS reference_code,
    sample_id, duplicate_of, duplicate_kind, technique, instrument, calibration,
    measured_at AS at, '' AS digestion_class, moisture_basis, matrix
FROM field_row
WHERE {condition}
ORDER BY file_place, "row", sheet;

-- name: lab_facts
SELECT
    source, sample_kind, coalesce(reference_code, '') AS reference_code,
    sample_id, duplicate_of, duplicate_kind, technique, lab_method, digestion, laboratory,
    coalesce(certificate, '') AS batch, coalesce(analysed_at, reported_at, received_at) AS at,
    digestion_class, moisture_basis, matrix
FROM lab_row
WHERE {condition}
ORDER BY file_place, "row", sheet;

-- name: number
{of}::DOUBLE AS {name}

-- name: results
SELECT rowid AS source, {columns}
FROM {rows}
WHERE rowid IN (SELECT unnest($sources));

-- name: superseded
SELECT source, key FROM lab_cell WHERE code < 0;
