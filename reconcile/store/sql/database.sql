-- name: shape
SELECT table_name, column_name, data_type
FROM duckdb_columns()
WHERE database_name = current_database() AND NOT internal
UNION ALL SELECT function_name, function_type, ''
FROM duckdb_functions()
WHERE database_name = current_database() AND NOT internal
UNION ALL SELECT index_name, 'index', ''
FROM duckdb_indexes()
WHERE database_name = current_database();

-- name: files
SELECT file_id, path, sha256, reading_key, kind, size, problem, advice FROM file;

-- name: next_file
SELECT nextval('file_number');

-- name: add_file
INSERT INTO file
SELECT * FROM incoming;

-- name: add_sheet
INSERT INTO sheet
SELECT * FROM incoming;

-- name: add_set_aside
INSERT INTO set_aside
SELECT * FROM incoming;

-- name: add_analyte
INSERT INTO analyte
SELECT * FROM incoming;

-- name: add_column_meaning
INSERT INTO column_meaning
SELECT * FROM incoming;

-- name: add_note
INSERT INTO note
SELECT * FROM incoming;

-- name: add_applied_correction
INSERT INTO applied_correction
SELECT * FROM incoming;

-- name: add_reported_sum
INSERT INTO reported_sum SELECT ?, ?, *
FROM incoming;

-- name: add_row_without_result
INSERT INTO row_without_result SELECT ?, ?, *
FROM incoming;

-- name: add_quarantine
INSERT INTO quarantine SELECT ?, *
FROM incoming;

-- name: add_cell_text
INSERT INTO cell_text SELECT ?, *
FROM incoming;

-- name: make_wide
CREATE TABLE {table} (file_id BIGINT NOT NULL, sheet VARCHAR);

-- name: make
CREATE TABLE {table} (file_id BIGINT NOT NULL, sheet VARCHAR, {columns});

-- name: column
{name} {kind}

-- name: whole
SELECT max(hash(held)) FROM {table} AS held;

-- name: add_column
ALTER TABLE {table} ADD COLUMN IF NOT EXISTS {name} {kind};

-- name: add_text_column
ALTER TABLE {table} ADD COLUMN IF NOT EXISTS {name} {kind} USING COMPRESSION uncompressed;

-- name: absent
NULL::{kind} AS {name}

-- name: show
CREATE OR REPLACE TEMP VIEW {view} AS SELECT {columns} FROM {table};

-- name: add_rows
INSERT INTO {table} BY NAME SELECT ? AS file_id, ? AS sheet, * FROM incoming;

-- name: columns
SELECT column_name FROM (DESCRIBE {table});
