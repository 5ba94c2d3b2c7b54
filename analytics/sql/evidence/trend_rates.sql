-- One row per scope (all, categories, platforms), component (null: any) and year before the cut-off: primary faults on roster machines,
-- machine-years, and the faults expected at the age-specific rates of all years together.
-- Reads: yearly_exposure, roster_fault, leaf_component, leaf_scope, scope, cut_off.
WITH wanted AS (
    SELECT s.scope_id, s.leaf
    FROM leaf_scope AS s
    INNER JOIN scope AS n ON n.scope_id = s.scope_id
    WHERE n.scope_level IN ('all', 'category', 'platform')
),
applicable AS (
    SELECT leaf, component FROM leaf_component
    UNION ALL
    SELECT DISTINCT leaf, CAST(NULL AS VARCHAR) FROM leaf_component
),
exposed AS (
    SELECT w.scope_id, a.component, e.age_from_years, e.years_back, sum(e.quarter_days) AS quarter_days
    FROM yearly_exposure AS e
    INNER JOIN applicable AS a ON a.leaf = e.leaf
    INNER JOIN wanted AS w ON w.leaf = e.leaf
    GROUP BY w.scope_id, a.component, e.age_from_years, e.years_back
),
dated AS (
    SELECT
        f.leaf,
        f.component,
        f.age_from_years,
        CAST(floor(date_diff('day', f.event_on, t.as_of) / 365.25) AS INTEGER) AS years_back
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    CROSS JOIN cut_off AS t
    WHERE f.observed
),
failed AS (
    SELECT w.scope_id, d.component, d.age_from_years, d.years_back, count(*) AS events
    FROM dated AS d
    INNER JOIN wanted AS w ON w.leaf = d.leaf
    GROUP BY GROUPING SETS (
        (w.scope_id, d.component, d.age_from_years, d.years_back), (w.scope_id, d.age_from_years, d.years_back)
    )
),
cell AS (
    SELECT
        e.scope_id,
        e.component,
        e.years_back,
        e.quarter_days,
        coalesce(f.events, 0) AS events,
        sum(coalesce(f.events, 0)) OVER (PARTITION BY e.scope_id, e.component, e.age_from_years) AS events_at_age,
        sum(e.quarter_days) OVER (PARTITION BY e.scope_id, e.component, e.age_from_years) AS quarter_days_at_age
    FROM exposed AS e
    LEFT JOIN failed AS f
        ON f.scope_id = e.scope_id
        AND f.component IS NOT DISTINCT FROM e.component
        AND f.age_from_years = e.age_from_years
        AND f.years_back = e.years_back
)
SELECT
    scope_id,
    component,
    years_back,
    CAST(sum(events) AS BIGINT) AS events,
    sum(quarter_days) / 1461.0 AS machine_years,
    CAST(sum(CAST(quarter_days * events_at_age / quarter_days_at_age AS DECIMAL(28, 9))) AS DOUBLE) AS expected_events
FROM cell
GROUP BY scope_id, component, years_back
ORDER BY scope_id, component NULLS FIRST, years_back DESC
