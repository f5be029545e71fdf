-- name: begin_files
CREATE OR REPLACE TEMP TABLE run_file AS
FROM incoming;

-- name: begin_identities
CREATE OR REPLACE TEMP TABLE identity AS
FROM incoming;

-- name: keys_of
SELECT min(key), element, min(method)
FROM analyte
JOIN run_file USING (file_id)
JOIN file USING (file_id)
WHERE kind = ?
GROUP BY element, lower(key)
ORDER BY 2, 1;

-- name: every_key
SELECT min(key), element, min(method)
FROM analyte
JOIN file USING (file_id)
WHERE kind = ?
GROUP BY element, lower(key)
ORDER BY 2, 1;

-- name: files
SELECT file_id, zero_unstated
FROM run_file;

-- name: settled
SELECT key, source, code, value
FROM lab_cell;

-- name: read_as
SELECT DISTINCT kind, lower(key), species, unit, isotope
FROM analyte
JOIN run_file USING (file_id)
JOIN file USING (file_id)
ORDER BY ALL;

-- name: untimed
SELECT count(*)
FROM field_row
WHERE disposition = 'no time of measurement';

-- name: certificates_twice
SELECT certificate, count(*)
FROM lab_row
WHERE disposition = 'certificate given twice under one issue'
GROUP BY 1
ORDER BY 1;

-- name: registered_differently
SELECT coalesce(identity.sample_id, register.sample_id) AS sample, count(DISTINCT
    (coalesce(matrix, ''), coalesce(specimen_form, ''), coalesce(moisture_basis, ''),
    coalesce(sample_kind, ''))) AS entries
FROM register
JOIN run_file USING (file_id)
LEFT JOIN identity ON identity.written_id = register.sample_id
WHERE register.sample_id IS NOT NULL AND coalesce(register.sample_kind, '') = ''
GROUP BY 1
HAVING entries > 1
ORDER BY 1;

-- name: rows_mark
SELECT coalesce(md5(string_agg(line, chr(10) ORDER BY line)), '')
FROM ( SELECT concat_ws('|', 'field', path, sheet, "row", sample_id, disposition) AS line FROM
    field_row JOIN file USING (file_id) WHERE disposition <> 'other period' UNION ALL SELECT
    concat_ws('|', 'lab', path, sheet, "row", sample_id, disposition) AS line FROM lab_row JOIN
    file USING (file_id) WHERE disposition <> 'other period' );

-- name: rows_read
SELECT coalesce(sum(rows_in_file), 0), coalesce(sum(accepted), 0)
FROM sheet
JOIN run_file USING (file_id)
JOIN file USING (file_id)
WHERE kind = ?;

-- name: rows_set_aside
SELECT reason, sum(rows)
FROM set_aside
JOIN run_file USING (file_id)
JOIN file USING (file_id)
WHERE kind = ?
GROUP BY reason
ORDER BY reason;

-- name: rows_refused
SELECT reason, count(*)
FROM (SELECT file_id, sheet, "row", min(reason) AS reason FROM quarantine JOIN run_file USING
    (file_id) JOIN file USING (file_id) WHERE kind = ? AND "column" = '' AND "row" > 0 GROUP BY
    file_id, sheet, "row")
GROUP BY reason
ORDER BY reason;

-- name: sheets_read_twice
SELECT count(*)
FROM (SELECT path, sheet FROM sheet JOIN run_file USING (file_id) JOIN file USING (file_id)
    WHERE kind = ? GROUP BY path, sheet HAVING count(*) > 1);

-- name: samples_paired
SELECT count(DISTINCT sample_id)
FROM sample_pair;

-- name: written_ids
SELECT sample_id
FROM {rows}
WHERE list_contains(?, file_id) AND sample_id IS NOT NULL
GROUP BY sample_id
ORDER BY min((file_id, "row"));

-- name: how_many
SELECT count(*) FROM {rows};

-- name: place
stored.rowid

-- name: file
stored.file_id

-- name: column
{of} AS {name}

-- name: number
-- an empty cell as NaN, and as -1 below: masks cost more than sums
coalesce({of}, 'nan'::DOUBLE)

-- name: code
coalesce({of}, -1)::TINYINT

-- name: stored
SELECT {columns}
FROM {stored} AS stored
WHERE list_contains($files, file_id);

-- name: field_rows_as_stored
SELECT source, sample_id, spot, file_place, "row"
FROM field_row
WHERE disposition = 'sample'
ORDER BY source;

-- name: lab_rows_as_stored
SELECT source, sample_id, '' AS spot, file_place, "row"
FROM lab_row
WHERE disposition = 'sample'
ORDER BY source;

-- name: without_pair
SELECT DISTINCT sample_id
FROM {here}
WHERE sample_id NOT IN (SELECT sample_id FROM sample_pair)
ORDER BY sample_id;

-- name: dispositions
SELECT disposition, count(*) FROM {rows} GROUP BY 1 ORDER BY 1;

-- name: rows_of_run
SELECT count(*) FROM {rows} JOIN run_file USING (file_id);

-- name: samples
SELECT count(DISTINCT sample_id) FROM {rows};
