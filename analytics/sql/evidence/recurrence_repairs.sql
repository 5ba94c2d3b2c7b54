-- One row per watched job with a fault on a roster machine of known age: the machine, the age at which its stay began, and its age.
-- Reads: roster_job, observation.
SELECT
    j.leaf,
    j.machine,
    j.job,
    min(o.from_age_days) AS from_age_days,
    greatest(CAST(j.age_days AS DOUBLE), min(o.from_age_days) + 0.5) / 365.25 AS age_years
FROM roster_job AS j
INNER JOIN observation AS o ON o.machine = j.machine AND j.event_on >= o.from_on AND j.event_on <= o.to_on
WHERE j.observed AND j.age_days IS NOT NULL
GROUP BY j.leaf, j.machine, j.job, j.age_days
ORDER BY j.leaf, j.machine, age_years, j.job
