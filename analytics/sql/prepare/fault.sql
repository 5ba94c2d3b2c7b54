-- One row per job, component and role: what was found. A job's own component stands in where it has no findings;
-- a component found both primary and consequential in one job is primary; step is the lowest it was found at.
-- Reads: store_findings, job.
WITH recognised AS (
    SELECT
        source,
        job_id,
        component,
        coalesce(role, 'primary') AS role,
        coalesce(step, 1) AS step,
        origin,
        max(CASE WHEN origin = 'finding' THEN 1 ELSE 0 END) OVER (PARTITION BY source, job_id) AS has_findings
    FROM store_findings
    WHERE component IS NOT NULL
),
chosen AS (
    SELECT
        j.job,
        f.component,
        min(CASE f.role WHEN 'primary' THEN 1 WHEN 'consequential' THEN 2 ELSE 3 END) AS role_rank,
        min(f.step) AS step
    FROM recognised AS f
    INNER JOIN job AS j ON j.source = f.source AND j.job_id = f.job_id
    WHERE f.origin = 'finding' OR f.has_findings = 0
    GROUP BY j.job, f.component
)
SELECT
    job,
    component,
    CASE role_rank WHEN 1 THEN 'primary' WHEN 2 THEN 'consequential' ELSE 'incidental' END AS role,
    step
FROM chosen
