-- One row per model and component (null: any): observed primary faults, machine-years, jobs and condemned jobs.
-- Reads: scope, leaf_scope, exposure, roster_fault, leaf, leaf_component, job.
WITH model AS (
    SELECT s.scope_id, s.category, l.leaf
    FROM scope AS s
    INNER JOIN leaf_scope AS l ON l.scope_id = s.scope_id
    WHERE s.scope_level = 'model' AND s.category IS NOT NULL
),
observed AS (
    SELECT leaf, sum(quarter_days) AS quarter_days FROM exposure GROUP BY leaf
),
part AS (
    SELECT leaf, component FROM leaf_component
    UNION ALL
    SELECT leaf, NULL FROM leaf
),
failed AS (
    SELECT f.leaf, c.component, count(*) AS events
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed
    GROUP BY GROUPING SETS ((f.leaf, c.component), (f.leaf))
),
ended AS (
    SELECT leaf, count(*) AS jobs, sum(CASE WHEN outcome = 'condemned' THEN 1 ELSE 0 END) AS condemned FROM job GROUP BY leaf
)
SELECT
    m.scope_id,
    m.category,
    p.component,
    CAST(coalesce(sum(f.events), 0) AS BIGINT) AS events,
    coalesce(sum(o.quarter_days), 0) / 1461.0 AS machine_years,
    CAST(coalesce(sum(CASE WHEN p.component IS NULL THEN e.jobs END), 0) AS BIGINT) AS jobs,
    CAST(coalesce(sum(CASE WHEN p.component IS NULL THEN e.condemned END), 0) AS BIGINT) AS condemned
FROM model AS m
INNER JOIN part AS p ON p.leaf = m.leaf
LEFT JOIN observed AS o ON o.leaf = m.leaf
LEFT JOIN failed AS f ON f.leaf = m.leaf AND f.component IS NOT DISTINCT FROM p.component
LEFT JOIN ended AS e ON e.leaf = m.leaf
GROUP BY m.scope_id, m.category, p.component
ORDER BY m.category, p.component NULLS FIRST, m.scope_id
