-- Every field reading of an ordinary sample, and those that their table rejects, with the facts
-- of how it was made.
SELECT
    field_row.source, coalesce(field_row.technique, '') AS technique,
    field_row.instrument, field_row.calibration, field_row.sample_id, field_row.spot,
    field.shot_no, coalesce(field.status = 'rejected', false) AS rejected,
    field.gas_purge, field.count_time_s, field_row.moisture_basis,
    coalesce(field.moisture_pct, register.moisture_pct) AS moisture_pct
FROM field_row
JOIN field ON field.rowid = field_row.source
LEFT JOIN register_row AS register ON register.sample_id = field_row.sample_id
WHERE field_row.disposition = 'sample'
    -- rejected readings of ordinary samples of the period; what a rule leaves out on purpose,
    -- such as cleaning shots, is none of them
    OR (field.status = 'rejected' AND field_row.sample_kind = 'sample'
        AND field_row.disposition NOT IN (
            'left out by a kind rule', 'other period', 'no time of measurement'
        ))
ORDER BY field_row.file_place, field_row."row", field_row.sheet;
