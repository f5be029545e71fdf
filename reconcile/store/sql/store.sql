-- What was read, from which file. Wide tables of rows (field, lab …) are made by the
-- program, because their columns follow the facts of each kind and the analytes met.
CREATE SEQUENCE file_number;

CREATE TABLE file (
    file_id BIGINT PRIMARY KEY,
    path VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    reading_key VARCHAR NOT NULL,  -- settings and code that read it
    kind VARCHAR NOT NULL,
    size BIGINT NOT NULL,
    problem VARCHAR NOT NULL,      -- why the whole file could not be read; '' where it could
    advice VARCHAR NOT NULL,
    UNIQUE (path, sha256, reading_key)
);

CREATE TABLE sheet (
    file_id BIGINT NOT NULL,
    sheet VARCHAR NOT NULL,
    rows_in_file BIGINT NOT NULL,  -- counted over the bytes, apart from the reading
    accepted BIGINT NOT NULL,
    lines_in_file BIGINT NOT NULL, -- lines that hold something, counted so too
    lines_above BIGINT NOT NULL,   -- of them, headings and what stands above
    lines_joined BIGINT NOT NULL   -- further lines of quoted cells
);

CREATE TABLE set_aside (
    file_id BIGINT NOT NULL, sheet VARCHAR NOT NULL, reason VARCHAR NOT NULL, rows BIGINT NOT NULL
);

CREATE TABLE analyte (
    file_id BIGINT NOT NULL,
    key VARCHAR NOT NULL,
    element VARCHAR NOT NULL,
    method VARCHAR NOT NULL,
    species VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    isotope INTEGER NOT NULL       -- mass number that a heading of results names; 0: none
);

CREATE TABLE cell_text (
    file_id BIGINT NOT NULL, "row" BIGINT, key VARCHAR, text VARCHAR
);

CREATE TABLE column_meaning (
    file_id BIGINT NOT NULL,
    sheet VARCHAR NOT NULL,
    position INTEGER NOT NULL,
    heading VARCHAR, role VARCHAR, key VARCHAR, element VARCHAR, species VARCHAR, unit VARCHAR,
    to_mg_kg DOUBLE, sigma DOUBLE, method VARCHAR, why VARCHAR
);

CREATE TABLE quarantine (
    file_id BIGINT NOT NULL,
    file VARCHAR, sheet VARCHAR, "row" BIGINT, "column" VARCHAR,
    found VARCHAR, reason VARCHAR, advice VARCHAR
);

CREATE TABLE note (
    file_id BIGINT NOT NULL, sheet VARCHAR NOT NULL, text VARCHAR NOT NULL
);
-- Cells that a person corrected, with the text that stands in the file; refused: why an entry
-- was not applied, '' where it was.
CREATE TABLE applied_correction (
    file_id BIGINT NOT NULL, sheet VARCHAR, "row" BIGINT, "column" VARCHAR, original VARCHAR,
    corrected VARCHAR, corrected_by VARCHAR, corrected_because VARCHAR, entered_in VARCHAR,
    refused VARCHAR NOT NULL
);

-- What the results of rows add up to as reported, %, where no row is refused for its sum.
CREATE TABLE reported_sum (
    file_id BIGINT NOT NULL, sheet VARCHAR NOT NULL, "row" BIGINT NOT NULL, sum_pct DOUBLE NOT NULL
);
-- Accepted rows of field and lab tables of which no cell holds a result.
CREATE TABLE row_without_result (
    file_id BIGINT NOT NULL, sheet VARCHAR NOT NULL, "row" BIGINT NOT NULL
);
