-- One row per scope and reason: condemned jobs that name it, beside all condemned jobs that name any.
-- Reads: job, leaf_scope.
WITH stated AS (
    SELECT leaf, cluster, not_repaired_reason, count(*) AS events
    FROM job
    WHERE outcome = 'condemned' AND not_repaired_reason IS NOT NULL
    GROUP BY leaf, cluster, not_repaired_reason
),
per_machine AS (
    SELECT leaf, cluster, sum(events) AS jobs FROM stated GROUP BY leaf, cluster
),
population AS (
    SELECT
        s.scope_id,
        CAST(sum(m.jobs) AS BIGINT) AS jobs,
        count(*) AS machines,
        CAST(sum(m.jobs * m.jobs) AS DOUBLE) AS jobs_squared
    FROM per_machine AS m
    INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
    GROUP BY s.scope_id
)
SELECT
    s.scope_id,
    e.not_repaired_reason,
    p.jobs,
    p.machines,
    p.jobs_squared,
    CAST(sum(e.events) AS BIGINT) AS events,
    CAST(sum(e.events * e.events) AS DOUBLE) AS events_squared,
    CAST(sum(e.events * m.jobs) AS DOUBLE) AS events_times_jobs
FROM stated AS e
INNER JOIN per_machine AS m ON m.leaf = e.leaf AND m.cluster = e.cluster
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
INNER JOIN population AS p ON p.scope_id = s.scope_id
GROUP BY s.scope_id, e.not_repaired_reason, p.jobs, p.machines, p.jobs_squared
ORDER BY s.scope_id, e.not_repaired_reason
