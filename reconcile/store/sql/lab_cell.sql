-- Single results of the laboratory that do not stand as they were given: superseded (code -1),
-- or answered by another determination (code 0 and its value). Empty until certificates are
-- settled.
CREATE OR REPLACE TEMP TABLE lab_cell (
    source BIGINT NOT NULL, key VARCHAR NOT NULL, code TINYINT NOT NULL, value DOUBLE,
    sample_id VARCHAR NOT NULL, element VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    link VARCHAR NOT NULL,      -- both results, in words
    told_with VARCHAR NOT NULL  -- method of the pair that names them; '' for none
);
