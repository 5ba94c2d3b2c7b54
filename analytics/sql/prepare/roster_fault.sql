-- One row per job and primary fault on a roster machine that was watched at some time: its age in days and age band where the roster tells them,
-- whether it was watched on that day, and whether it repeats the same component's fault within 90 days. component is not_named where no part is.
-- Reads: fault_found, job, observation, roster.
WITH watched AS (
    SELECT machine, min(leaf) AS leaf FROM observation GROUP BY machine
),
seen AS (
    SELECT DISTINCT j.job
    FROM job AS j
    INNER JOIN observation AS o ON o.machine = j.machine AND j.event_on >= o.from_on AND j.event_on <= o.to_on
)
SELECT
    f.job,
    f.component,
    f.step,
    w.machine,
    w.leaf,
    j.event_on,
    CASE WHEN r.in_service_on IS NOT NULL THEN j.age_from_years END AS age_from_years,
    date_diff('day', r.in_service_on, j.event_on) AS age_days,
    s.job IS NOT NULL AS observed,
    f.component <> 'not_named' AND coalesce(
        date_diff('day', lag(j.event_on) OVER (PARTITION BY w.machine, f.component ORDER BY j.event_on, f.job), j.event_on) <= 90,
        FALSE
    ) AS repeats
FROM fault_found AS f
INNER JOIN job AS j ON j.job = f.job
INNER JOIN watched AS w ON w.machine = j.machine
INNER JOIN roster AS r ON r.machine = w.machine
LEFT JOIN seen AS s ON s.job = f.job
