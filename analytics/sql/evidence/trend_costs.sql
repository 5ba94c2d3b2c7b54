-- One row per scope (all, categories, platforms), cost of a repair and whole year of records before the cut-off: sums over machines of repairs and
-- amounts (money or minutes), in hundredths.
-- Reads: job_cost, job, leaf_scope, scope, cut_off.
WITH dated AS (
    SELECT
        c.leaf,
        c.cluster,
        CAST(floor(date_diff('day', j.closed_on, t.as_of) / 365.25) AS INTEGER) AS years_back,
        CAST(round(c.labour * 100) AS BIGINT) AS labour,
        CAST(round(c.parts * 100) AS BIGINT) AS parts,
        CAST(round(c.total * 100) AS BIGINT) AS total,
        CAST(round(c.charged * 100) AS BIGINT) AS charged,
        CAST(round(c.labour_minutes * 100) AS BIGINT) AS labour_minutes
    FROM job_cost AS c
    INNER JOIN job AS j ON j.job = c.job
    CROSS JOIN cut_off AS t
),
-- All sums of a machine in one row, because machines are many.
machine AS (
    SELECT
        leaf,
        years_back,
        count(labour) AS labour_jobs,
        CAST(sum(labour) AS BIGINT) AS labour,
        count(parts) AS parts_jobs,
        CAST(sum(parts) AS BIGINT) AS parts,
        count(total) AS total_jobs,
        CAST(sum(total) AS BIGINT) AS total,
        count(charged) AS charged_jobs,
        CAST(sum(charged) AS BIGINT) AS charged,
        count(labour_minutes) AS labour_minutes_jobs,
        CAST(sum(labour_minutes) AS BIGINT) AS labour_minutes
    FROM dated
    WHERE years_back < 10
    GROUP BY leaf, cluster, years_back
),
per_machine AS (
    SELECT m.leaf, m.years_back, v.cost, v.amount, v.jobs
    FROM machine AS m
    CROSS JOIN LATERAL (
        VALUES
            ('labour', m.labour, m.labour_jobs),
            ('parts', m.parts, m.parts_jobs),
            ('total', m.total, m.total_jobs),
            ('charged', m.charged, m.charged_jobs),
            ('labour_minutes', m.labour_minutes, m.labour_minutes_jobs)
    ) AS v (cost, amount, jobs)
    WHERE v.jobs > 0
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
