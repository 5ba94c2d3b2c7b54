-- One row per scope: all jobs, with the sums over machines that clustered intervals need.
-- Reads: job, leaf_scope.
WITH per_machine AS (
    SELECT leaf, cluster, count(*) AS jobs FROM job GROUP BY leaf, cluster
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
