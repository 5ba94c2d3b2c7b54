-- One row per scope (all, categories, platforms), component (null: any fault, a job once), age band and year before the cut-off: faults on roster machines
-- of known age, and machine-years.
-- Reads: yearly_exposure, roster_fault, leaf_component, leaf, leaf_scope, scope, cut_off.
WITH wanted AS (
    SELECT s.scope_id, s.leaf
    FROM leaf_scope AS s
    INNER JOIN scope AS n ON n.scope_id = s.scope_id
    WHERE n.scope_level IN ('all', 'category', 'platform')
),
part AS (
    SELECT leaf, component FROM leaf_component WHERE component <> 'not_named'
    UNION ALL
    SELECT leaf, NULL FROM leaf
),
exposed AS (
    SELECT w.scope_id, p.component, e.age_from_years, e.years_back, sum(e.quarter_days) AS quarter_days
    FROM yearly_exposure AS e
    INNER JOIN part AS p ON p.leaf = e.leaf
    INNER JOIN wanted AS w ON w.leaf = e.leaf
    WHERE e.age_from_years IS NOT NULL
    GROUP BY w.scope_id, p.component, e.age_from_years, e.years_back
),
dated AS (
    SELECT
        f.leaf,
        f.job,
        f.component,
        f.age_from_years,
        CAST(floor(date_diff('day', f.event_on, t.as_of) / 365.25) AS INTEGER) AS years_back
    FROM roster_fault AS f
    CROSS JOIN cut_off AS t
    WHERE f.observed AND f.age_from_years IS NOT NULL
),
by_leaf AS (
    SELECT d.leaf, d.component, d.age_from_years, d.years_back, count(*) AS events
    FROM dated AS d
    INNER JOIN leaf_component AS c ON c.leaf = d.leaf AND c.component = d.component
    WHERE d.component <> 'not_named'
    GROUP BY d.leaf, d.component, d.age_from_years, d.years_back
    UNION ALL
    SELECT leaf, NULL, age_from_years, years_back, count(DISTINCT job) FROM dated GROUP BY leaf, age_from_years, years_back
),
failed AS (
    SELECT w.scope_id, d.component, d.age_from_years, d.years_back, sum(d.events) AS events
    FROM by_leaf AS d
    INNER JOIN wanted AS w ON w.leaf = d.leaf
    GROUP BY w.scope_id, d.component, d.age_from_years, d.years_back
)
SELECT
    e.scope_id,
    e.component,
    e.age_from_years,
    e.years_back,
    CAST(coalesce(f.events, 0) AS BIGINT) AS events,
    e.quarter_days / 1461.0 AS machine_years
FROM exposed AS e
LEFT JOIN failed AS f
    ON f.scope_id = e.scope_id
    AND f.component IS NOT DISTINCT FROM e.component
    AND f.age_from_years = e.age_from_years
    AND f.years_back = e.years_back
ORDER BY e.scope_id, e.component NULLS FIRST, e.age_from_years, e.years_back DESC
