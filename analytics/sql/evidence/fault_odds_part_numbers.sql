-- One row per part number that was fitted in more than one job, and model that it was fitted to.
-- Reads: job_part, leaf.
WITH fitted AS (
    SELECT DISTINCT l.category, p.component, p.part_number, l.model_key, p.job
    FROM job_part AS p
    INNER JOIN leaf AS l ON l.leaf = p.leaf
    WHERE l.category IS NOT NULL AND l.model_key IS NOT NULL AND p.component IS NOT NULL AND p.part_number IS NOT NULL AND NOT p.unavailable
),
counted AS (
    SELECT category, component, part_number, model_key, count(*) OVER (PARTITION BY category, component, part_number) AS jobs
    FROM fitted
)
SELECT DISTINCT category, component, part_number, model_key
FROM counted
WHERE jobs > 1
ORDER BY category, component, part_number, model_key
