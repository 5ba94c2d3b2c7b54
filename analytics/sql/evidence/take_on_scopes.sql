-- One row per scope (brands left out): the platform of a model, machines condemned here in the last three years, and how many years of records
-- (three at most) that is.
-- Reads: scope, leaf_scope, leaf, job, cut_off.
WITH span AS (
    SELECT
        t.as_of,
        least(3.0, greatest(date_diff('day', (SELECT min(closed_on) FROM job), t.as_of) / 365.25, 1 / 365.25)) AS years
    FROM cut_off AS t
),
condemned AS (
    SELECT j.leaf, count(*) AS jobs
    FROM job AS j
    CROSS JOIN span AS p
    WHERE j.outcome = 'condemned' AND j.closed_on > p.as_of - INTERVAL 36 MONTH
    GROUP BY j.leaf
)
SELECT
    n.scope_id,
    CASE WHEN n.scope_level = 'model' THEN min(l.platform) END AS platform,
    CAST(coalesce(sum(c.jobs), 0) AS BIGINT) AS condemned,
    max(p.years) AS years
FROM scope AS n
INNER JOIN leaf_scope AS s ON s.scope_id = n.scope_id
INNER JOIN leaf AS l ON l.leaf = s.leaf
CROSS JOIN span AS p
LEFT JOIN condemned AS c ON c.leaf = s.leaf
WHERE n.scope_level <> 'brand'
GROUP BY n.scope_id, n.scope_level
ORDER BY n.scope_id
