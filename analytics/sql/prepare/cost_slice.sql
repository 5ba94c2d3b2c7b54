-- One row per scope and slice of its repaired jobs (all of them, by component, by age band), with the number of jobs.
-- Reads: job_cost, leaf_scope.
WITH counted AS (
    SELECT leaf, component, age_from_years, count(*) AS jobs FROM job_cost GROUP BY leaf, component, age_from_years
),
sliced AS (
    SELECT leaf, 'all' AS slice, CAST(NULL AS VARCHAR) AS component, CAST(NULL AS DOUBLE) AS age_from_years, jobs FROM counted
    UNION ALL
    SELECT leaf, 'component', component, NULL, jobs FROM counted WHERE component IS NOT NULL
    UNION ALL
    SELECT leaf, 'age', NULL, age_from_years, jobs FROM counted WHERE age_from_years IS NOT NULL
)
SELECT l.scope_id, s.slice, s.component, s.age_from_years, CAST(sum(s.jobs) AS BIGINT) AS jobs
FROM sliced AS s
INNER JOIN leaf_scope AS l ON l.leaf = s.leaf
GROUP BY l.scope_id, s.slice, s.component, s.age_from_years
