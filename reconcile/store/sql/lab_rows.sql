-- Every accepted lab row of the run, its sample, and exactly one disposition.
-- A re-issued certificate supersedes the rows of its earlier issues, sample by sample;
-- ``placed`` is what a row would be without its re-issue, for results that this one lacks.
-- Results stay where they are stored: ``source`` names the row.
CREATE OR REPLACE TEMP TABLE lab_row AS
WITH resolved AS NOT MATERIALIZED (
    SELECT
        lab.rowid AS source,
        lab.file_id, lab.sheet, lab."row",
        coalesce(lab.technique, '') AS technique,
        coalesce(lab.lab_method, '') AS lab_method,
        coalesce(lab.digestion, '') AS digestion,
        coalesce(lab.digestion_class, '') AS digestion_class,
        lab.certificate, lab.received_at, lab.analysed_at, lab.reported_at,
        coalesce(lab.laboratory, '') AS laboratory,
        lab.lab_id,
        '' AS place_key, CAST(NULL AS VARCHAR) AS part_role,  -- of a part (lab_places)
        -- Of a blind duplicate only the register says whose it is.
        coalesce(lab.duplicate_of, register.duplicate_of) AS duplicate_of,
        coalesce(lab.duplicate_kind, register.duplicate_kind) AS duplicate_kind,
        coalesce(identity.sample_id, lab.sample_id, '') AS sample_id,
        coalesce(lab.sample_kind, register.sample_kind, 'sample') AS sample_kind,
        coalesce(lab.reference_code, register.reference_code) AS reference_code,
        coalesce(lab.moisture_basis, '') AS moisture_basis,
        coalesce(lab.matrix, register.matrix, '') AS matrix,
        run_file.file_place,
        run_file.of_period,
        lab.status, lab.status_reason,
        bare."row" IS NOT NULL AS without_result,
        -- '2', 'rev. 2', 'issue 2' and 'B' are all a second issue; none stated is the first.
        coalesce(
            try_cast(lab.certificate_issue AS DOUBLE),
            try_cast(regexp_extract(lab.certificate_issue, '\d+(\.\d+)?') AS DOUBLE),
            CASE WHEN regexp_full_match(trim(lab.certificate_issue), '(?i)(issue |rev\.? ?)?[A-Z]')
                THEN ascii(upper(right(trim(lab.certificate_issue), 1))) - 64 END,
            1
        ) AS issue
    FROM lab
    JOIN run_file ON run_file.file_id = lab.file_id
    LEFT JOIN row_without_result AS bare
        ON bare.file_id = lab.file_id AND bare.sheet = lab.sheet AND bare."row" = lab."row"
    LEFT JOIN identity ON identity.written_id = lab.sample_id
    LEFT JOIN register_row AS register
        ON register.sample_id = coalesce(identity.sample_id, lab.sample_id)
),
newest AS (
    SELECT certificate, laboratory, sample_id, max(issue) AS issue
    FROM resolved
    -- where every issue is the first, none is newer: most certificates
    WHERE certificate IN (SELECT certificate FROM resolved WHERE issue <> 1)
        AND status IS DISTINCT FROM 'rejected'
    GROUP BY certificate, laboratory, sample_id
),
-- One certificate, one issue, one sample and one analyte from two files: which of them
-- stands can't be told, so neither does until a person says which is the re-issue.
rivals AS (
    SELECT DISTINCT a.file_id AS here, b.file_id AS there
    FROM (SELECT file_id, path, key FROM analyte JOIN file USING (file_id)) AS a
    JOIN (SELECT file_id, path, key FROM analyte JOIN file USING (file_id)) AS b
        ON a.key = b.key AND a.path <> b.path
    WHERE a.file_id IN (SELECT file_id FROM run_file)
      AND b.file_id IN (SELECT file_id FROM run_file)
),
doubled AS (
    SELECT DISTINCT a.source
    FROM resolved AS a
    JOIN resolved AS b
        ON a.certificate = b.certificate AND a.sample_id = b.sample_id AND a.issue = b.issue
        AND a.laboratory = b.laboratory
        AND a.technique = b.technique AND a.lab_method = b.lab_method
        AND a.digestion = b.digestion AND a.sample_kind = b.sample_kind
    JOIN rivals ON rivals.here = a.file_id AND rivals.there = b.file_id
    WHERE a.certificate IS NOT NULL AND a.sample_kind IN ('sample', 'duplicate')
),
elsewhere AS (
    SELECT sample_id
    FROM field_row
    WHERE sample_id IN (SELECT sample_id FROM field_row WHERE disposition = 'other period')
    GROUP BY sample_id
    HAVING bool_or(disposition = 'other period') AND NOT bool_or(disposition = 'sample')
),
-- A certificate all of whose samples were read in other months brings its controls there too.
certificate_elsewhere AS (
    SELECT certificate, file_id
    FROM resolved
    LEFT JOIN elsewhere USING (sample_id)
    WHERE sample_kind = 'sample' AND EXISTS (SELECT 1 FROM elsewhere)
    GROUP BY certificate, file_id
    HAVING bool_and(elsewhere.sample_id IS NOT NULL)
)
SELECT
    resolved.* EXCLUDE (without_result, status, status_reason),
    coalesce(resolved.issue < newest.issue, false) AS has_newer,
    CASE
        WHEN resolved.sample_kind = 'leave out' THEN 'left out by a kind rule'
        WHEN $by_lab_time AND resolved.reported_at IS NULL AND NOT resolved.of_period
            THEN 'no time of report'
        WHEN $by_lab_time AND resolved.reported_at IS NOT NULL
            AND (resolved.reported_at < $start OR resolved.reported_at >= $finish)
            THEN 'other period'
        WHEN $by_field_time AND NOT resolved.of_period AND resolved.sample_kind <> 'sample'
            AND certificate_elsewhere.file_id IS NOT NULL THEN 'other period'
        WHEN resolved.status = 'rejected'
            THEN concat('rejected', ', ' || resolved.status_reason)
        WHEN doubled.source IS NOT NULL THEN 'certificate given twice under one issue'
        WHEN resolved.sample_kind <> 'sample' THEN 'control'
        WHEN $by_field_time AND NOT resolved.of_period AND elsewhere.sample_id IS NOT NULL
            THEN 'other period'
        WHEN resolved.without_result THEN 'no result'
        ELSE 'sample'
    END AS placed,
    CASE WHEN has_newer AND placed <> 'left out by a kind rule'
        AND resolved.status IS DISTINCT FROM 'rejected' THEN 'superseded by a re-issue'
        ELSE placed END AS disposition
FROM resolved
LEFT JOIN newest USING (certificate, laboratory, sample_id)
LEFT JOIN elsewhere ON elsewhere.sample_id = resolved.sample_id
LEFT JOIN doubled ON doubled.source = resolved.source
LEFT JOIN certificate_elsewhere
    ON certificate_elsewhere.file_id = resolved.file_id
    AND certificate_elsewhere.certificate IS NOT DISTINCT FROM resolved.certificate;
