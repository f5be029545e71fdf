-- How many readings the rows of each field file are, and which facts told them apart
-- (see field_rows.sql).
SELECT
    path, count(*) AS rows, count(DISTINCT field_row.sample_id) AS samples,
    count(DISTINCT (
        field_row.sample_id, field_row.technique, field_row.instrument, field_row.calibration,
        spot
    )) AS readings,
    count(DISTINCT (
        field_row.sample_id, field_row.technique, field_row.instrument, field_row.calibration,
        field_row.sheet, reading_no
    )) FILTER (reading_no IS NOT NULL) AS numbers,
    bool_or(spot_no IS NOT NULL) AS spot_no,
    bool_or(numbered) AS reading_no,
    bool_or(numbered AND shot_no IS NULL AND field.measured_at IS NOT NULL) AS measured_at,
    bool_or(numbered AND shot_no IS NOT NULL AND field.measured_at IS NOT NULL) AS "day",
    bool_or(numbered AND field.operator IS NOT NULL) AS operator,
    bool_or(numbered AND field."group" IS NOT NULL) AS "group",
    bool_or(spot_no IS NULL AND reading_no IS NULL) AS "row"
FROM field_row
JOIN (SELECT rowid AS source, *, spot_no IS NULL AND reading_no IS NOT NULL AS numbered FROM field)
    AS field USING (source)
JOIN file ON file.file_id = field_row.file_id
WHERE disposition = 'sample'
GROUP BY file_place, path
ORDER BY file_place;
