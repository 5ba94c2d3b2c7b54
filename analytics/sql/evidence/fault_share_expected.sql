-- One row per scope below category and component: jobs of known age with it as primary fault, and how many there would be
-- if the scope's jobs had, age band by age band, the shares of the whole category.
-- Reads: fault, primary_fault, job, leaf, leaf_scope, scope.
WITH jobs_by_band AS (
    SELECT j.leaf, j.age_from_years, count(*) AS jobs
    FROM primary_fault AS p
    INNER JOIN job AS j ON j.job = p.job
    WHERE j.age_from_years IS NOT NULL
    GROUP BY j.leaf, j.age_from_years
),
events_by_band AS (
    SELECT j.leaf, f.component, j.age_from_years, count(*) AS events
    FROM fault AS f
    INNER JOIN job AS j ON j.job = f.job
    WHERE f.role = 'primary' AND j.age_from_years IS NOT NULL
    GROUP BY j.leaf, f.component, j.age_from_years
),
category_share AS (
    SELECT e.category, e.component, e.age_from_years, e.events / CAST(n.jobs AS DOUBLE) AS share
    FROM (
        SELECT l.category, b.component, b.age_from_years, sum(b.events) AS events
        FROM events_by_band AS b
        INNER JOIN leaf AS l ON l.leaf = b.leaf
        GROUP BY l.category, b.component, b.age_from_years
    ) AS e
    INNER JOIN (
        SELECT l.category, b.age_from_years, sum(b.jobs) AS jobs
        FROM jobs_by_band AS b
        INNER JOIN leaf AS l ON l.leaf = b.leaf
        GROUP BY l.category, b.age_from_years
    ) AS n ON n.category = e.category AND n.age_from_years = e.age_from_years
),
expected AS (
    SELECT s.scope_id, r.component, sum(b.jobs) AS jobs, CAST(sum(CAST(b.jobs * r.share AS DECIMAL(38, 12))) AS DOUBLE) AS expected
    FROM jobs_by_band AS b
    INNER JOIN leaf AS l ON l.leaf = b.leaf
    INNER JOIN category_share AS r ON r.category = l.category AND r.age_from_years = b.age_from_years
    INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
    GROUP BY s.scope_id, r.component
),
observed AS (
    SELECT s.scope_id, b.component, sum(b.events) AS events
    FROM events_by_band AS b
    INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
    GROUP BY s.scope_id, b.component
),
aged AS (
    SELECT s.scope_id, sum(b.jobs) AS jobs
    FROM jobs_by_band AS b
    INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
    GROUP BY s.scope_id
)
SELECT
    e.scope_id,
    e.component,
    CAST(a.jobs AS BIGINT) AS jobs,
    CAST(o.events AS BIGINT) AS events,
    e.expected
FROM expected AS e
INNER JOIN observed AS o ON o.scope_id = e.scope_id AND o.component = e.component
INNER JOIN aged AS a ON a.scope_id = e.scope_id
INNER JOIN scope AS s ON s.scope_id = e.scope_id
WHERE s.scope_level IN ('brand', 'platform', 'model')
ORDER BY e.scope_id, e.component
