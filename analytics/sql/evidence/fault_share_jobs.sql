-- One row per scope and role: jobs whose records could show a fault in that role, with the sums over machines that clustered intervals need.
-- Reads: recorded_job, job, leaf_scope.
WITH per_machine AS (
    SELECT j.leaf, j.cluster, r.role, count(*) AS jobs
    FROM recorded_job AS r
    INNER JOIN job AS j ON j.job = r.job
    GROUP BY j.leaf, j.cluster, r.role
)
SELECT
    s.scope_id,
    m.role,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    count(*) AS machines,
    CAST(sum(m.jobs * m.jobs) AS DOUBLE) AS jobs_squared
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
GROUP BY s.scope_id, m.role
ORDER BY s.scope_id, m.role
