-- Lines of the certificates, once each, however many tables read them: samples and controls.
SELECT DISTINCT
    'lab' AS side, coalesce(certificate, '') AS batch, sample_kind,
    CASE WHEN disposition = 'sample' THEN lab_row.sample_id
        ELSE lab_row.sample_id || ' ' || file.path || ' ' || coalesce(sheet, '') || ' ' || "row"
    END AS sample_id
FROM lab_row
JOIN file USING (file_id)
WHERE disposition IN ('sample', 'control')
ORDER BY ALL;
