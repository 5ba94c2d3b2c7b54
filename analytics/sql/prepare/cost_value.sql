-- One row per leaf, kind of slice (all, by component, by age band), cost and amount in hundredths: repaired jobs that cost that.
-- Labour, parts and total count where all are known.
-- Reads: job_cost.
WITH known AS (
    SELECT
        j.leaf,
        j.component,
        j.age_from_years,
        c.cost,
        CAST(round(c.amount * 100) AS BIGINT) AS amount
    FROM job_cost AS j
    CROSS JOIN LATERAL (
        VALUES
            ('labour', CASE WHEN j.total IS NOT NULL THEN j.labour END),
            ('parts', CASE WHEN j.total IS NOT NULL THEN j.parts END),
            ('total', j.total),
            ('charged', j.charged),
            ('labour_minutes', j.labour_minutes)
    ) AS c (cost, amount)
    WHERE c.amount IS NOT NULL
),
counted AS (
    SELECT leaf, component, age_from_years, cost, amount, count(*) AS jobs
    FROM known
    GROUP BY leaf, component, age_from_years, cost, amount
)
SELECT leaf, 'all' AS slice, CAST(NULL AS VARCHAR) AS component, CAST(NULL AS DOUBLE) AS age_from_years, cost, amount, CAST(sum(jobs) AS BIGINT) AS jobs
FROM counted
GROUP BY leaf, cost, amount
UNION ALL
SELECT leaf, 'component', component, NULL, cost, amount, CAST(sum(jobs) AS BIGINT)
FROM counted
WHERE component IS NOT NULL
GROUP BY leaf, component, cost, amount
UNION ALL
SELECT leaf, 'age', NULL, age_from_years, cost, amount, CAST(sum(jobs) AS BIGINT)
FROM counted
WHERE age_from_years IS NOT NULL
GROUP BY leaf, age_from_years, cost, amount
