-- One row per model, measure and component (null: any fault, a job once): sums over machines of events, of machine-years or jobs, and of their squares
-- and products. Jobs whose machine is not known are machines of their own.
-- Reads: scope, leaf_scope, observation, roster_fault, leaf, leaf_component, job.
WITH model AS (
    SELECT s.scope_id, l.leaf
    FROM scope AS s
    INNER JOIN leaf_scope AS l ON l.scope_id = s.scope_id
    WHERE s.scope_level = 'model' AND s.category IS NOT NULL
),
part AS (
    SELECT leaf, component FROM leaf_component WHERE component <> 'not_named'
    UNION ALL
    SELECT leaf, NULL FROM leaf
),
watched AS (
    SELECT leaf, machine, CAST(sum(date_diff('day', from_on, to_on) * 4) AS BIGINT) AS quarter_days FROM observation GROUP BY leaf, machine
),
size AS (
    SELECT leaf, sum(quarter_days) AS quarter_days, sum(CAST(quarter_days AS HUGEINT) * quarter_days) AS quarter_days_squared
    FROM watched
    GROUP BY leaf
),
fault AS (
    SELECT f.leaf, f.machine, f.component, count(*) AS events
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed AND f.component <> 'not_named'
    GROUP BY f.leaf, f.machine, f.component
    UNION ALL
    SELECT leaf, machine, NULL, count(DISTINCT job) FROM roster_fault WHERE observed GROUP BY leaf, machine
),
failed AS (
    SELECT
        f.leaf,
        f.component,
        sum(f.events) AS events,
        sum(f.events * f.events) AS events_squared,
        sum(f.events * w.quarter_days) AS events_times_quarter_days
    FROM fault AS f
    INNER JOIN watched AS w ON w.leaf = f.leaf AND w.machine = f.machine
    GROUP BY f.leaf, f.component
),
rate AS (
    SELECT
        m.scope_id,
        p.component,
        CAST(coalesce(sum(f.events), 0) AS BIGINT) AS events,
        sum(s.quarter_days) / 1461.0 AS size,
        CAST(coalesce(sum(f.events_squared), 0) AS DOUBLE) AS events_squared,
        CAST(coalesce(sum(f.events_times_quarter_days), 0) AS DOUBLE) / 1461.0 AS events_times_size,
        CAST(sum(s.quarter_days_squared) AS DOUBLE) / (1461.0 * 1461.0) AS size_squared
    FROM model AS m
    INNER JOIN part AS p ON p.leaf = m.leaf
    INNER JOIN size AS s ON s.leaf = m.leaf
    LEFT JOIN failed AS f ON f.leaf = m.leaf AND f.component IS NOT DISTINCT FROM p.component
    GROUP BY m.scope_id, p.component
),
unit AS (
    SELECT
        m.scope_id,
        coalesce(j.machine, -j.job) AS machine,
        count(*) AS jobs,
        sum(CASE WHEN j.outcome = 'condemned' THEN 1 ELSE 0 END) AS condemned
    FROM job AS j
    INNER JOIN model AS m ON m.leaf = j.leaf
    GROUP BY m.scope_id, coalesce(j.machine, -j.job)
),
write_off AS (
    SELECT
        scope_id,
        CAST(NULL AS VARCHAR) AS component,
        CAST(sum(condemned) AS BIGINT) AS events,
        CAST(sum(jobs) AS DOUBLE) AS size,
        CAST(sum(condemned * condemned) AS DOUBLE) AS events_squared,
        CAST(sum(condemned * jobs) AS DOUBLE) AS events_times_size,
        CAST(sum(jobs * jobs) AS DOUBLE) AS size_squared
    FROM unit
    GROUP BY scope_id
)
SELECT 'rate' AS measure, scope_id, component, events, size, events_squared, events_times_size, size_squared FROM rate
UNION ALL
SELECT 'write_off', scope_id, component, events, size, events_squared, events_times_size, size_squared FROM write_off
ORDER BY measure, component NULLS FIRST, scope_id
