-- One row per slice of more than the given number of jobs, and cost: jobs in which it is known, sums over machines, and order statistics.
-- Parameters: the name of the cost, slice kind, scope level, most jobs of a small slice. Labour, parts and total count where all are known.
-- Amounts are in hundredths, whole numbers, so that sums are exact in any order.
-- median_*, p90_*: the values around the 0.5 and 0.9 quantiles (type 7) and the bounds of their intervals (binomial, normal approximation).
-- Reads: sliced_cost.
WITH sliced AS (
    SELECT scope_id, component, age_from_years, cluster, labour, parts, total, charged, labour_minutes, CAST(? AS VARCHAR) AS cost,
        count(*) OVER (PARTITION BY scope_id, component, age_from_years) AS jobs
    FROM sliced_cost
    WHERE slice = ? AND scope_level = ?
),
known AS (
    SELECT
        scope_id,
        component,
        age_from_years,
        cluster,
        CAST(
            round(
                CASE cost
                    WHEN 'labour' THEN CASE WHEN total IS NOT NULL THEN labour END
                    WHEN 'parts' THEN CASE WHEN total IS NOT NULL THEN parts END
                    WHEN 'total' THEN total
                    WHEN 'charged' THEN charged
                    WHEN 'labour_minutes' THEN labour_minutes
                END * 100
            ) AS BIGINT
        ) AS amount
    FROM sliced
    WHERE jobs > ?
),
per_machine AS (
    SELECT scope_id, component, age_from_years, cluster, count(*) AS jobs, sum(amount) AS amount
    FROM known
    WHERE amount IS NOT NULL
    GROUP BY scope_id, component, age_from_years, cluster
),
summed AS (
    SELECT
        scope_id,
        component,
        age_from_years,
        count(*) AS machines,
        CAST(sum(jobs) AS BIGINT) AS jobs,
        sum(amount) AS amount,
        sum(CAST(amount AS HUGEINT) * amount) AS amount_squared,
        sum(CAST(amount AS HUGEINT) * jobs) AS amount_times_jobs,
        sum(jobs * jobs) AS jobs_squared
    FROM per_machine
    GROUP BY scope_id, component, age_from_years
),
listed AS (
    SELECT scope_id, component, age_from_years, list_sort(list(amount)) AS amounts
    FROM known
    WHERE amount IS NOT NULL
    GROUP BY scope_id, component, age_from_years
)
SELECT
    s.scope_id,
    s.component,
    s.age_from_years,
    s.machines,
    CAST(s.jobs AS BIGINT) AS jobs,
    CAST(s.amount AS DOUBLE) AS amount,
    CAST(s.amount_squared AS DOUBLE) AS amount_squared,
    CAST(s.amount_times_jobs AS DOUBLE) AS amount_times_jobs,
    CAST(s.jobs_squared AS DOUBLE) AS jobs_squared,
    l.amounts[CAST(floor(0.5 * (s.jobs - 1)) AS BIGINT) + 1] AS median_below,
    l.amounts[CAST(ceil(0.5 * (s.jobs - 1)) AS BIGINT) + 1] AS median_above,
    l.amounts[CAST(floor(0.5 * s.jobs - 1.959964 * sqrt(s.jobs * 0.25)) AS BIGINT)] AS median_lower,
    l.amounts[CAST(ceil(0.5 * s.jobs + 1.959964 * sqrt(s.jobs * 0.25)) AS BIGINT) + 1] AS median_upper,
    l.amounts[CAST(floor(0.9 * (s.jobs - 1)) AS BIGINT) + 1] AS p90_below,
    l.amounts[CAST(ceil(0.9 * (s.jobs - 1)) AS BIGINT) + 1] AS p90_above,
    l.amounts[CAST(floor(0.9 * s.jobs - 1.959964 * sqrt(s.jobs * 0.09)) AS BIGINT)] AS p90_lower,
    l.amounts[CAST(ceil(0.9 * s.jobs + 1.959964 * sqrt(s.jobs * 0.09)) AS BIGINT) + 1] AS p90_upper
FROM summed AS s
INNER JOIN listed AS l
    ON l.scope_id = s.scope_id
    AND l.component IS NOT DISTINCT FROM s.component
    AND l.age_from_years IS NOT DISTINCT FROM s.age_from_years
ORDER BY s.scope_id, s.component NULLS FIRST, s.age_from_years NULLS FIRST
