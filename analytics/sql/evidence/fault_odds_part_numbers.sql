-- One row per part number that was fitted in more than one job, and model that it was fitted to.
-- Reads: store_parts, job, leaf.
WITH fitted AS (
    SELECT l.category, p.component, p.part_number, l.model_key, count(*) OVER (PARTITION BY l.category, p.component, p.part_number) AS parts
    FROM store_parts AS p
    INNER JOIN job AS j ON j.source = p.source AND j.job_id = p.job_id
    INNER JOIN leaf AS l ON l.leaf = j.leaf
    WHERE l.category IS NOT NULL AND l.model_key IS NOT NULL AND p.component IS NOT NULL AND p.part_number IS NOT NULL
)
SELECT DISTINCT category, component, part_number, model_key
FROM fitted
WHERE parts > 1
ORDER BY category, component, part_number, model_key
