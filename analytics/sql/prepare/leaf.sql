-- One row per finest group of machines: category, brand, platform and model together, with the design traits of the model.
-- Reads: dated_job, roster, catalogue.
WITH kind AS (
    SELECT category, brand, model_key FROM dated_job
    UNION
    SELECT category, brand, model_key FROM roster
)
SELECT
    row_number() OVER (ORDER BY k.category, k.brand, k.model_key) AS leaf,
    k.category,
    k.brand,
    c.platform,
    k.model_key,
    c.drum_design,
    c.motor_type
FROM kind AS k
LEFT JOIN catalogue AS c ON c.model_key = k.model_key
