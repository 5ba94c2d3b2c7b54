-- One row per job with a primary fault known: the one of the lowest step (for costs and competing causes), and how many there are.
-- Reads: fault.
WITH ranked AS (
    SELECT
        job,
        component,
        row_number() OVER (PARTITION BY job ORDER BY step, component) AS position,
        count(*) OVER (PARTITION BY job) AS primaries
    FROM fault
    WHERE role = 'primary'
)
SELECT job, component, primaries
FROM ranked
WHERE position = 1
