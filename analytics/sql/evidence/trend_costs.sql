-- One row per scope (all, categories, platforms), cost of a repair and whole year of records before the cut-off: sums over machines of repairs and
-- amounts (money or minutes), in hundredths.
-- Reads: job_cost, job, leaf_scope, scope, cut_off.
WITH known AS (
    SELECT
        c.leaf,
        c.cluster,
        CAST(floor(date_diff('day', j.closed_on, t.as_of) / 365.25) AS INTEGER) AS years_back,
        v.cost,
        CAST(round(v.amount * 100) AS BIGINT) AS amount
    FROM job_cost AS c
    INNER JOIN job AS j ON j.job = c.job
    CROSS JOIN cut_off AS t
    CROSS JOIN LATERAL (
        VALUES
            ('labour', c.labour),
            ('parts', c.parts),
            ('total', c.total),
            ('charged', c.charged),
            ('labour_minutes', c.labour_minutes)
    ) AS v (cost, amount)
    WHERE v.amount IS NOT NULL
),
per_machine AS (
    SELECT leaf, cluster, cost, years_back, CAST(sum(amount) AS BIGINT) AS amount, count(*) AS jobs
    FROM known
    WHERE years_back < 10
    GROUP BY leaf, cluster, cost, years_back
),
per_leaf AS (
    SELECT
        leaf,
        cost,
        years_back,
        count(*) AS machines,
        sum(jobs) AS jobs,
        sum(amount) AS amount,
        sum(CAST(amount AS HUGEINT) * amount) AS amount_squared,
        sum(CAST(amount AS HUGEINT) * jobs) AS amount_times_jobs,
        sum(jobs * jobs) AS jobs_squared
    FROM per_machine
    GROUP BY leaf, cost, years_back
)
SELECT
    s.scope_id,
    m.cost,
    m.years_back,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    CAST(sum(m.machines) AS BIGINT) AS machines,
    CAST(sum(m.amount) AS DOUBLE) AS amount,
    CAST(sum(m.amount_squared) AS DOUBLE) AS amount_squared,
    CAST(sum(m.amount_times_jobs) AS DOUBLE) AS amount_times_jobs,
    CAST(sum(m.jobs_squared) AS DOUBLE) AS jobs_squared
FROM per_leaf AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS n ON n.scope_id = s.scope_id AND n.scope_level IN ('all', 'category', 'platform')
CROSS JOIN cut_off AS t
WHERE (m.years_back + 1) * 365.25 <= date_diff('day', (SELECT min(closed_on) FROM job), t.as_of) + 14
GROUP BY s.scope_id, m.cost, m.years_back
ORDER BY s.scope_id, m.cost, m.years_back DESC
