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

-- name: duplicates
disposition = 'control' AND sample_kind = 'duplicate'

-- name: samples
disposition = 'sample'

-- name: field_results
SELECT
    chosen.sample_kind, coalesce(chosen.reference_code, '') AS reference_code,
    chosen.sample_id, chosen.duplicate_of, chosen.duplicate_kind,
    chosen.technique, chosen.instrument, chosen.calibration, '' AS batch, moment AS at,
    {value} AS value_mg_kg, {code} AS code, {limit} AS limit_mg_kg, {error} AS se,
    '' AS digestion_class, chosen.moisture_basis, chosen.matrix
FROM (SELECT *, measured_at AS moment FROM field_row WHERE {condition}) AS chosen
JOIN (SELECT rowid AS source, * FROM field) AS stored ON stored.source = chosen.source
WHERE {code} IN (0, 1, 2)
ORDER BY file_place, chosen."row", chosen.sheet;

-- name: lab_results
SELECT
    chosen.sample_kind, coalesce(chosen.reference_code, '') AS reference_code,
    chosen.sample_id, chosen.duplicate_of, chosen.duplicate_kind,
    chosen.technique, chosen.lab_method, chosen.digestion, chosen.laboratory, batch, moment AS at,
    {value} AS value_mg_kg, {code} AS code, {limit} AS limit_mg_kg, {error} AS se,
    chosen.digestion_class AS digestion_class, chosen.moisture_basis, chosen.matrix
FROM (
    SELECT
        *, coalesce(certificate, '') AS batch,
        coalesce(analysed_at, reported_at, received_at) AS moment
    FROM lab_row WHERE {condition}
) AS chosen
JOIN (SELECT rowid AS source, * FROM lab) AS stored ON stored.source = chosen.source
WHERE {code} IN (0, 1, 2) AND NOT EXISTS (
    SELECT 1 FROM lab_cell
    WHERE lab_cell.source = chosen.source AND lab_cell.key = $key AND lab_cell.code < 0
)
ORDER BY file_place, chosen."row", chosen.sheet;
