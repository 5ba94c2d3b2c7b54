-- One row per scope, slice (component, age band, or neither) and repaired job, for the slices of no more than the given number of jobs.
-- Clusters are ordered by their first job, so that seeded resampling does not depend on hashed identifiers.
-- Reads: job_cost, leaf_scope.
WITH first_job AS (
    SELECT cluster, min(job) AS first_job FROM job_cost GROUP BY cluster
),
sliced AS (
    SELECT job, NULL AS component, NULL AS age_from_years FROM job_cost
    UNION ALL
    SELECT job, component, NULL FROM job_cost WHERE component IS NOT NULL
    UNION ALL
    SELECT job, NULL, age_from_years FROM job_cost WHERE age_from_years IS NOT NULL
)
SELECT
    s.scope_id,
    x.component,
    x.age_from_years,
    f.first_job AS cluster,
    c.labour,
    c.parts,
    c.total,
    c.charged,
    c.labour_minutes
FROM sliced AS x
INNER JOIN job_cost AS c ON c.job = x.job
INNER JOIN first_job AS f ON f.cluster = c.cluster
INNER JOIN leaf_scope AS s ON s.leaf = c.leaf
ORDER BY s.scope_id, x.component NULLS FIRST, x.age_from_years NULLS FIRST, f.first_job, c.job
