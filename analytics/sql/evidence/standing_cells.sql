-- One row per model, measure, component (null: any fault, a job once) and age band (null: age unknown): events, and machine-years or jobs.
-- Reads: scope, leaf_scope, exposure, observation, roster_fault, leaf, leaf_component, job.
WITH model AS (
    SELECT s.scope_id, s.category, l.leaf
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
    SELECT leaf, age_from_years, quarter_days FROM exposure WHERE age_from_years IS NOT NULL
    UNION ALL
    SELECT leaf, NULL, sum(date_diff('day', from_on, to_on) * 4) FROM observation WHERE from_age_days IS NULL GROUP BY leaf
),
failed AS (
    SELECT f.leaf, f.age_from_years, f.component, count(*) AS events
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed AND f.component <> 'not_named'
    GROUP BY f.leaf, f.age_from_years, f.component
    UNION ALL
    SELECT leaf, age_from_years, NULL, count(DISTINCT job) FROM roster_fault WHERE observed GROUP BY leaf, age_from_years
),
rate AS (
    SELECT
        m.scope_id,
        m.category,
        p.component,
        w.age_from_years,
        CAST(coalesce(sum(f.events), 0) AS BIGINT) AS events,
        sum(w.quarter_days) / 1461.0 AS size
    FROM model AS m
    INNER JOIN part AS p ON p.leaf = m.leaf
    INNER JOIN watched AS w ON w.leaf = m.leaf
    LEFT JOIN failed AS f
        ON f.leaf = m.leaf
        AND f.component IS NOT DISTINCT FROM p.component
        AND f.age_from_years IS NOT DISTINCT FROM w.age_from_years
    GROUP BY m.scope_id, m.category, p.component, w.age_from_years
),
write_off AS (
    SELECT
        m.scope_id,
        m.category,
        CAST(NULL AS VARCHAR) AS component,
        j.age_from_years,
        CAST(sum(CASE WHEN j.outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT) AS events,
        CAST(count(*) AS DOUBLE) AS size
    FROM job AS j
    INNER JOIN model AS m ON m.leaf = j.leaf
    GROUP BY m.scope_id, m.category, j.age_from_years
)
SELECT 'rate' AS measure, scope_id, category, component, age_from_years, events, size FROM rate
UNION ALL
SELECT 'write_off', scope_id, category, component, age_from_years, events, size FROM write_off
ORDER BY measure, category, component NULLS FIRST, scope_id, age_from_years NULLS FIRST
