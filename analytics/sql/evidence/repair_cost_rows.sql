-- One row per repaired job of the scopes of one level, in the slices of one kind of no more than the given number of jobs.
-- Parameters: slice kind, scope level, most jobs of a small slice. Machines are named by their first job, so that seeded
-- resampling does not depend on hashed identifiers.
-- Reads: job_cost, cost_slice, leaf_scope, scope.
WITH chosen AS (
    SELECT CAST(? AS VARCHAR) AS slice
),
keyed AS (
    SELECT
        c.* EXCLUDE (component, age_from_years),
        CASE WHEN k.slice = 'component' THEN c.component END AS component,
        CASE WHEN k.slice = 'age' THEN c.age_from_years END AS age_from_years
    FROM job_cost AS c
    CROSS JOIN chosen AS k
)
SELECT t.scope_id, t.component, t.age_from_years, c.cluster, c.labour, c.parts, c.total, c.charged, c.labour_minutes
FROM cost_slice AS t
INNER JOIN scope AS s ON s.scope_id = t.scope_id
INNER JOIN leaf_scope AS l ON l.scope_id = t.scope_id
INNER JOIN keyed AS c
    ON c.leaf = l.leaf
    AND c.component IS NOT DISTINCT FROM t.component
    AND c.age_from_years IS NOT DISTINCT FROM t.age_from_years
INNER JOIN chosen AS k ON k.slice = t.slice
WHERE s.scope_level = ? AND t.jobs <= ?
ORDER BY t.scope_id, t.component NULLS FIRST, t.age_from_years NULLS FIRST, c.cluster, c.job
