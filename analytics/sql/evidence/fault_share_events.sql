-- One row per scope, component and role (found for component not_named): jobs in which it was found, with the sums over machines that clustered
-- intervals need.
-- Reads: fault, fault_found, recorded_job, job, leaf_scope.
WITH jobs_of_machine AS (
    SELECT j.leaf, j.cluster, r.role, count(*) AS jobs
    FROM recorded_job AS r
    INNER JOIN job AS j ON j.job = r.job
    GROUP BY j.leaf, j.cluster, r.role
),
counted AS (
    SELECT job, component, role FROM fault
    UNION ALL
    SELECT job, component, 'found' FROM fault_found WHERE component = 'not_named'
),
events_of_machine AS (
    SELECT j.leaf, j.cluster, f.component, f.role, count(*) AS events
    FROM counted AS f
    INNER JOIN recorded_job AS r ON r.job = f.job AND r.role = f.role
    INNER JOIN job AS j ON j.job = f.job
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
INNER JOIN jobs_of_machine AS n ON n.leaf = e.leaf AND n.cluster = e.cluster AND n.role = e.role
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
GROUP BY s.scope_id, e.component, e.role
ORDER BY s.scope_id, e.role DESC, e.component
