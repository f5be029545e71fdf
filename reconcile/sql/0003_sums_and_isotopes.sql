-- What the results of rows add up to as reported, %, where no row is refused for its sum.
CREATE TABLE reported_sum (
    file_id BIGINT NOT NULL, sheet VARCHAR NOT NULL, "row" BIGINT NOT NULL, sum_pct DOUBLE NOT NULL
);
-- Mass number of the isotope that a heading of results names; 0 where it names none.
ALTER TABLE analyte ADD COLUMN isotope INTEGER DEFAULT 0;
