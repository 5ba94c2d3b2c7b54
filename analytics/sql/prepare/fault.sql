-- One row per job, component and role: what was found. A job's own component stands in where it has no findings;
-- a component found both primary and consequential in one job is primary; step is the lowest it was found at.
-- Reads: finding.
WITH recognised AS (
    SELECT
        job,
        component,
        coalesce(role, 'primary') AS role,
        coalesce(step, 1) AS step,
        origin,
        max(CASE WHEN origin = 'finding' THEN 1 ELSE 0 END) OVER (PARTITION BY job) AS has_findings
    FROM finding
    WHERE component IS NOT NULL
),
chosen AS (
    SELECT
        job,
        component,
        min(CASE role WHEN 'primary' THEN 1 WHEN 'consequential' THEN 2 ELSE 3 END) AS role_rank,
        min(step) AS step
    FROM recognised
    WHERE origin = 'finding' OR has_findings = 0
    GROUP BY job, component
)
SELECT
    job,
    component,
    CASE role_rank WHEN 1 THEN 'primary' WHEN 2 THEN 'consequential' ELSE 'incidental' END AS role,
    step
FROM chosen
