-- One row per category and profile of primary faults that a machine had (component and times, in order): how many machines had it.
-- Resampling profiles is resampling machines.
-- Reads: fault, job, leaf.
WITH counted AS (
    SELECT l.category, j.cluster, f.component, count(*) AS times
    FROM fault AS f
    INNER JOIN job AS j ON j.job = f.job
    INNER JOIN leaf AS l ON l.leaf = j.leaf
    WHERE f.role = 'primary' AND l.category IS NOT NULL
    GROUP BY l.category, j.cluster, f.component
),
profiled AS (
    SELECT category, cluster, string_agg(component || '*' || CAST(times AS VARCHAR), ' ' ORDER BY component) AS profile
    FROM counted
    GROUP BY category, cluster
)
SELECT category, profile, count(*) AS machines
FROM profiled
GROUP BY category, profile
ORDER BY category, profile
