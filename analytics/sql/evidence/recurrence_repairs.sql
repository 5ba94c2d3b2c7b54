-- One row per observed job with a primary fault on a roster machine: the machine and its age.
-- Reads: roster_fault, observation.
SELECT DISTINCT
    f.leaf,
    f.machine,
    f.job,
    greatest(CAST(f.age_days AS DOUBLE), o.from_age_days + 0.5) / 365.25 AS age_years
FROM roster_fault AS f
INNER JOIN observation AS o ON o.machine = f.machine
WHERE f.observed
ORDER BY f.leaf, f.machine, age_years, f.job
