-- One row per scope (all, category, brand), age band and outcome: the jobs that ended so.
-- Reads: job, leaf_scope, scope.
WITH jobs_of_machine AS (
    SELECT leaf, cluster, age_from_years, count(*) AS jobs
    FROM job
    WHERE age_from_years IS NOT NULL
    GROUP BY leaf, cluster, age_from_years
),
ended AS (
    SELECT leaf, cluster, age_from_years, outcome, count(*) AS events
    FROM job
    WHERE age_from_years IS NOT NULL
    GROUP BY leaf, cluster, age_from_years, outcome
)
SELECT
    s.scope_id,
    e.age_from_years,
    e.outcome,
    CAST(sum(e.events) AS BIGINT) AS events,
    CAST(sum(e.events * e.events) AS DOUBLE) AS events_squared,
    CAST(sum(e.events * n.jobs) AS DOUBLE) AS events_times_jobs
FROM ended AS e
INNER JOIN jobs_of_machine AS n ON n.leaf = e.leaf AND n.cluster = e.cluster AND n.age_from_years = e.age_from_years
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id AND c.scope_level IN ('all', 'category', 'brand')
GROUP BY s.scope_id, e.age_from_years, e.outcome
ORDER BY s.scope_id, e.age_from_years, e.outcome
