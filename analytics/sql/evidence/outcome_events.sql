-- One row per scope, outcome and reason (null: all reasons together; 'not_stated': none was given; reasons only for jobs not repaired).
-- Reads: job, leaf_scope.
WITH jobs_of_machine AS (
    SELECT leaf, cluster, count(*) AS jobs FROM job GROUP BY leaf, cluster
),
ended AS (
    SELECT leaf, cluster, outcome, CAST(NULL AS VARCHAR) AS not_repaired_reason, count(*) AS events
    FROM job
    GROUP BY leaf, cluster, outcome
    UNION ALL
    SELECT leaf, cluster, outcome, coalesce(not_repaired_reason, 'not_stated'), count(*)
    FROM job
    WHERE outcome IN ('condemned', 'repairable', 'declined')
    GROUP BY leaf, cluster, outcome, coalesce(not_repaired_reason, 'not_stated')
)
SELECT
    s.scope_id,
    e.outcome,
    e.not_repaired_reason,
    CAST(sum(e.events) AS BIGINT) AS events,
    count(*) AS machines,
    CAST(sum(e.events * e.events) AS DOUBLE) AS events_squared,
    CAST(sum(e.events * n.jobs) AS DOUBLE) AS events_times_jobs
FROM ended AS e
INNER JOIN jobs_of_machine AS n ON n.leaf = e.leaf AND n.cluster = e.cluster
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
GROUP BY s.scope_id, e.outcome, e.not_repaired_reason
ORDER BY s.scope_id, e.outcome, e.not_repaired_reason NULLS FIRST
