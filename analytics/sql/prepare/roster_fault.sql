-- One row per primary fault on a roster machine: its age in days, whether observation covers it, and whether it repeats
-- the same component's fault within 90 days.
-- Reads: fault, job, observation.
SELECT
    f.job,
    f.component,
    f.step,
    o.machine,
    o.leaf,
    j.event_on,
    j.age_from_years,
    date_diff('day', o.from_on, j.event_on) + o.from_age_days AS age_days,
    j.event_on >= o.from_on AND j.event_on <= o.to_on AS observed,
    coalesce(
        date_diff('day', lag(j.event_on) OVER (PARTITION BY o.machine, f.component ORDER BY j.event_on, f.job), j.event_on) <= 90,
        FALSE
    ) AS repeats
FROM fault AS f
INNER JOIN job AS j ON j.job = f.job
INNER JOIN observation AS o ON o.machine = j.machine
WHERE f.role = 'primary'
