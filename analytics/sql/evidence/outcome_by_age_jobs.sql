-- One row per scope (all, category, brand) and age band: its jobs, with the sums over machines that clustered intervals need.
-- Reads: job, leaf_scope, scope, age_band.
WITH per_machine AS (
    SELECT leaf, cluster, age_from_years, count(*) AS jobs
    FROM job
    WHERE age_from_years IS NOT NULL
    GROUP BY leaf, cluster, age_from_years
)
SELECT
    s.scope_id,
    m.age_from_years,
    b.age_to_years,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    count(*) AS machines,
    CAST(sum(m.jobs * m.jobs) AS DOUBLE) AS jobs_squared
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id AND c.scope_level IN ('all', 'category', 'brand')
INNER JOIN age_band AS b ON b.age_from_years = m.age_from_years
GROUP BY s.scope_id, m.age_from_years, b.age_to_years
ORDER BY s.scope_id, m.age_from_years
