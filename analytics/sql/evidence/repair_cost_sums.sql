-- One row per large slice of one kind and cost: jobs in which it is known, and sums over machines. Labour, parts and total count where
-- all are known. Amounts are in hundredths, whole numbers, so that sums are exact in any order.
-- Parameters: slice kind, most jobs of a small slice.
-- Reads: job_cost, cost_slice, leaf_scope.
WITH chosen AS (
    SELECT CAST(? AS VARCHAR) AS slice
),
machine AS (
    SELECT
        c.leaf,
        CASE WHEN k.slice = 'component' THEN c.component END AS component,
        CASE WHEN k.slice = 'age' THEN c.age_from_years END AS age_from_years,
        c.cluster,
        count(c.total) AS total_jobs,
        count(c.charged) AS charged_jobs,
        count(c.labour_minutes) AS labour_minutes_jobs,
        sum(CAST(round(CASE WHEN c.total IS NOT NULL THEN c.labour END * 100) AS BIGINT)) AS labour,
        sum(CAST(round(CASE WHEN c.total IS NOT NULL THEN c.parts END * 100) AS BIGINT)) AS parts,
        sum(CAST(round(c.total * 100) AS BIGINT)) AS total,
        sum(CAST(round(c.charged * 100) AS BIGINT)) AS charged,
        sum(CAST(round(c.labour_minutes * 100) AS BIGINT)) AS labour_minutes
    FROM job_cost AS c
    CROSS JOIN chosen AS k
    GROUP BY ALL
),
known AS (
    SELECT m.leaf, m.component, m.age_from_years, c.cost, c.jobs, c.amount
    FROM machine AS m
    CROSS JOIN LATERAL (
        VALUES
            ('labour', m.total_jobs, m.labour),
            ('parts', m.total_jobs, m.parts),
            ('total', m.total_jobs, m.total),
            ('charged', m.charged_jobs, m.charged),
            ('labour_minutes', m.labour_minutes_jobs, m.labour_minutes)
    ) AS c (cost, jobs, amount)
    WHERE c.jobs > 0
),
summed AS (
    SELECT
        leaf,
        component,
        age_from_years,
        cost,
        count(*) AS machines,
        sum(jobs) AS jobs,
        sum(amount) AS amount,
        sum(CAST(amount AS HUGEINT) * amount) AS amount_squared,
        sum(CAST(amount AS HUGEINT) * jobs) AS amount_times_jobs,
        sum(jobs * jobs) AS jobs_squared
    FROM known
    GROUP BY leaf, component, age_from_years, cost
)
SELECT
    t.scope_id,
    t.component,
    t.age_from_years,
    s.cost,
    CAST(sum(s.machines) AS BIGINT) AS machines,
    CAST(sum(s.jobs) AS BIGINT) AS jobs,
    CAST(sum(s.amount) AS DOUBLE) AS amount,
    CAST(sum(s.amount_squared) AS DOUBLE) AS amount_squared,
    CAST(sum(s.amount_times_jobs) AS DOUBLE) AS amount_times_jobs,
    CAST(sum(s.jobs_squared) AS DOUBLE) AS jobs_squared
FROM cost_slice AS t
INNER JOIN chosen AS k ON k.slice = t.slice
INNER JOIN leaf_scope AS l ON l.scope_id = t.scope_id
INNER JOIN summed AS s
    ON s.leaf = l.leaf
    AND s.component IS NOT DISTINCT FROM t.component
    AND s.age_from_years IS NOT DISTINCT FROM t.age_from_years
WHERE t.jobs > ?
GROUP BY t.scope_id, t.component, t.age_from_years, s.cost
ORDER BY t.scope_id, t.component NULLS FIRST, t.age_from_years NULLS FIRST, s.cost
