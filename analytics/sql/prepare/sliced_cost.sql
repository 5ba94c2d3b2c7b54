-- One row per repaired job, scope that holds it, and kind of slice: all jobs, by component, by age band. A view, not a table.
-- Reads: job_cost, leaf_scope, scope.
WITH first_job AS (
    SELECT cluster, min(job) AS first_job FROM job_cost GROUP BY cluster
)
SELECT
    s.scope_id,
    s.scope_level,
    k.slice,
    CASE WHEN k.slice = 'component' THEN c.component END AS component,
    CASE WHEN k.slice = 'age' THEN c.age_from_years END AS age_from_years,
    c.job,
    f.first_job AS cluster,
    c.labour,
    c.parts,
    c.total,
    c.charged,
    c.labour_minutes
FROM job_cost AS c
INNER JOIN first_job AS f ON f.cluster = c.cluster
INNER JOIN leaf_scope AS l ON l.leaf = c.leaf
INNER JOIN scope AS s ON s.scope_id = l.scope_id
CROSS JOIN (VALUES ('all'), ('component'), ('age')) AS k (slice)
WHERE
    k.slice = 'all'
    OR (k.slice = 'component' AND c.component IS NOT NULL)
    OR (k.slice = 'age' AND c.age_from_years IS NOT NULL)
