-- One row per repaired job of the scopes of one level and of the slices of one kind (parameters: slice kind, scope level), for slices of
-- no more than the given number of jobs (parameter). Clusters are ordered by their first job, so that seeded resampling does not depend on hashed identifiers.
-- Reads: sliced_cost, scope.
WITH sliced AS (
    SELECT *, count(*) OVER (PARTITION BY scope_id, component, age_from_years) AS jobs
    FROM sliced_cost
    WHERE slice = ? AND scope_level = ?
)
SELECT scope_id, component, age_from_years, cluster, labour, parts, total, charged, labour_minutes
FROM sliced
WHERE jobs <= ?
ORDER BY scope_id, component NULLS FIRST, age_from_years NULLS FIRST, cluster, job
