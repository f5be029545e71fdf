-- name: of_run
-- Rows of the run's laboratory results that stand, by their place in the store.
SELECT source
FROM lab_row
WHERE disposition = 'sample' AND certificate IS NOT NULL;

-- name: of_samples
SELECT rowid
FROM lab
WHERE list_contains(?, file_id) AND list_contains(?, sample_id) AND certificate IS NOT NULL;

-- name: certificates
SELECT DISTINCT certificate
FROM lab
WHERE list_contains(?, rowid);

-- name: results
SELECT {columns}
FROM lab
WHERE list_contains(?, rowid) AND list_contains(?, certificate)
ORDER BY certificate, file_id, "row";

-- name: named
{of} AS {name}

-- name: analytes
SELECT file_id, key, element, species, unit
FROM analyte;
