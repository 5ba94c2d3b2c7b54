-- One row per scope: jobs with a primary fault known, with the sums over machines that clustered intervals need.
-- Reads: primary_fault, job, leaf_scope.
WITH per_machine AS (
    SELECT j.leaf, j.cluster, count(*) AS jobs
    FROM primary_fault AS p
    INNER JOIN job AS j ON j.job = p.job
    GROUP BY j.leaf, j.cluster
)
SELECT
    s.scope_id,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    count(*) AS machines,
    CAST(sum(m.jobs * m.jobs) AS DOUBLE) AS jobs_squared
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
GROUP BY s.scope_id
ORDER BY s.scope_id
