-- One row per job with a fault on a roster machine: the fault of the lowest step stands for it (not_named where no part is), and whether one of them repeats.
-- Reads: roster_fault.
WITH ranked AS (
    SELECT
        *,
        row_number() OVER (PARTITION BY job ORDER BY step, component) AS position,
        max(CASE WHEN repeats THEN 1 ELSE 0 END) OVER (PARTITION BY job) AS any_repeats
    FROM roster_fault
)
SELECT job, component, machine, leaf, event_on, age_from_years, age_days, observed, any_repeats = 1 AS repeats
FROM ranked
WHERE position = 1
