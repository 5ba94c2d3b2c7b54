-- One row per scope, component and role: jobs in which it was found, with the sums over machines that clustered intervals need.
-- Reads: fault, primary_fault, job, leaf_scope.
WITH jobs_of_machine AS (
    SELECT j.leaf, j.cluster, count(*) AS jobs
    FROM primary_fault AS p
    INNER JOIN job AS j ON j.job = p.job
    GROUP BY j.leaf, j.cluster
),
events_of_machine AS (
    SELECT j.leaf, j.cluster, f.component, f.role, count(*) AS events
    FROM fault AS f
    INNER JOIN primary_fault AS p ON p.job = f.job
    INNER JOIN job AS j ON j.job = f.job
    WHERE f.role IN ('primary', 'consequential')
    GROUP BY j.leaf, j.cluster, f.component, f.role
)
SELECT
    s.scope_id,
    e.component,
    e.role,
    CAST(sum(e.events) AS BIGINT) AS events,
    count(*) AS machines,
    CAST(sum(e.events * e.events) AS DOUBLE) AS events_squared,
    CAST(sum(e.events * n.jobs) AS DOUBLE) AS events_times_jobs
FROM events_of_machine AS e
INNER JOIN jobs_of_machine AS n ON n.leaf = e.leaf AND n.cluster = e.cluster
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
GROUP BY s.scope_id, e.component, e.role
ORDER BY s.scope_id, e.role DESC, e.component
