-- Every accepted field row of the run with its sample, its facts completed from the
-- register, and exactly one disposition. Results stay where they are stored: ``source``
-- names the row.
CREATE OR REPLACE TEMP TABLE field_row AS
SELECT
    field.rowid AS source,
    field.file_id, field.sheet, field."row",
    field.technique, field.instrument, field.calibration, field.measured_at, field.operator,
    field.duplicate_of, field.duplicate_kind,
    coalesce(identity.sample_id, field.sample_id, '') AS sample_id,
    coalesce(field.matrix, register.matrix, '') AS matrix,
    coalesce(field.specimen_form, register.specimen_form, '') AS specimen_form,
    coalesce(field.moisture_basis, register.moisture_basis, '') AS moisture_basis,
    coalesce(field.pair_type, register.pair_type, '') AS pair_type,
    coalesce(field."group", register."group", '') AS "group",
    coalesce(field.sample_kind, register.sample_kind, 'sample') AS sample_kind,
    coalesce(field.reference_code, register.reference_code) AS reference_code,
    -- Reading numbers and rows start again in every file and sheet, and numbers with every day,
    -- restart or operator: a reading is its number with all that its row states. Shots of one
    -- reading have times of their own; the day keeps those apart.
    -- A length before each number lets text sort as numbers do: 9 before 10.
    -- Spots of one number at several places of a part are several spots.
    concat(coalesce(
        chr(least(length(field.spot_no), 999)::INTEGER) || field.spot_no,
        run_file.mark || field.sheet || coalesce(
            chr(least(length(field.reading_no), 999)::INTEGER) || field.reading_no || concat(
                ' ', CASE
                    WHEN field.shot_no IS NULL THEN epoch_us(field.measured_at)
                    ELSE (epoch_us(field.measured_at) + $ahead_us) // 86400000000
                END,
                chr(31) || field.operator, chr(30) || field."group"
            ),
            printf(' row %09d', field."row")
        )
    ), chr(29) || field.location, chr(28) || field.part_role, chr(27) || field.position_mm)
        AS spot,
    field.location, field.part_role, field.position_mm, field.ordered_grade,
    '' AS place_key,  -- that the laboratory names too (lab_places)
    run_file.file_place,
    CASE
        WHEN coalesce(field.sample_kind, register.sample_kind, 'sample') = 'leave out'
            THEN 'left out by a kind rule'
        WHEN $by_time AND field.measured_at IS NULL AND NOT run_file.of_period
            THEN 'no time of measurement'
        WHEN $by_time AND field.measured_at IS NOT NULL
            AND (field.measured_at < $start OR field.measured_at >= $finish) THEN 'other period'
        WHEN field.status = 'rejected' THEN concat('rejected', ', ' || field.status_reason)
        WHEN coalesce(field.sample_kind, register.sample_kind, 'sample') <> 'sample'
            THEN 'control'
        WHEN field.spot_class = 'targeted' THEN 'targeted spot, mineral identification only'
        WHEN bare."row" IS NOT NULL THEN 'no result'
        ELSE 'sample'
    END AS disposition
FROM field
LEFT JOIN row_without_result AS bare
    ON bare.file_id = field.file_id AND bare.sheet = field.sheet AND bare."row" = field."row"
JOIN (SELECT *, printf(' %06d ', file_place) AS mark FROM run_file) AS run_file
    ON run_file.file_id = field.file_id
LEFT JOIN identity ON identity.written_id = field.sample_id
LEFT JOIN register_row AS register
    ON register.sample_id = coalesce(identity.sample_id, field.sample_id);
