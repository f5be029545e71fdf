-- Cells that a person corrected, with the text that stands in the file; refused: why an entry
-- was not applied, '' where it was.
CREATE TABLE applied_correction (
    file_id BIGINT NOT NULL, sheet VARCHAR, "row" BIGINT, "column" VARCHAR, original VARCHAR,
    corrected VARCHAR, corrected_by VARCHAR, corrected_because VARCHAR, entered_in VARCHAR,
    refused VARCHAR NOT NULL
);
