-- One row per scope (all, categories, platforms), component (null: any fault, a job once) and year before the cut-off (null: all of them together): sums
-- over roster machines of faults, of machine-years, and of their squares and products.
-- Reads: yearly_exposure, observation, roster_fault, leaf_component, leaf, leaf_scope, scope, cut_off.
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
whole_year AS (
    SELECT DISTINCT years_back FROM yearly_exposure
),
-- Quarter days, of which a year has 1,461, counted back from the cut-off.
stay AS (
    SELECT
        o.leaf,
        o.machine,
        date_diff('day', o.from_on, t.as_of) * 4 AS from_back,
        date_diff('day', o.to_on, t.as_of) * 4 AS to_back
    FROM observation AS o
    CROSS JOIN cut_off AS t
),
machine_year AS (
    SELECT
        s.leaf,
        s.machine,
        y.years_back,
        CAST(sum(least(s.from_back, 1461 * (y.years_back + 1)) - greatest(s.to_back, 1461 * y.years_back)) AS BIGINT) AS quarter_days
    FROM stay AS s
    INNER JOIN whole_year AS y ON s.from_back > 1461 * y.years_back AND s.to_back < 1461 * (y.years_back + 1)
    GROUP BY s.leaf, s.machine, y.years_back
),
machine AS (
    SELECT leaf, machine, CAST(sum(quarter_days) AS BIGINT) AS quarter_days FROM machine_year GROUP BY leaf, machine
),
size AS (
    SELECT leaf, years_back, sum(quarter_days) AS quarter_days, sum(CAST(quarter_days AS HUGEINT) * quarter_days) AS quarter_days_squared
    FROM machine_year
    GROUP BY leaf, years_back
    UNION ALL
    SELECT leaf, NULL, sum(quarter_days), sum(CAST(quarter_days AS HUGEINT) * quarter_days)
    FROM machine
    GROUP BY leaf
),
dated AS (
    SELECT
        f.leaf,
        f.machine,
        f.job,
        f.component,
        CAST(floor(date_diff('day', f.event_on, t.as_of) / 365.25) AS INTEGER) AS years_back
    FROM roster_fault AS f
    CROSS JOIN cut_off AS t
    WHERE f.observed
),
fault AS (
    SELECT d.leaf, d.machine, d.component, d.years_back, count(*) AS events
    FROM dated AS d
    INNER JOIN whole_year AS y ON y.years_back = d.years_back
    INNER JOIN leaf_component AS c ON c.leaf = d.leaf AND c.component = d.component
    WHERE d.component <> 'not_named'
    GROUP BY d.leaf, d.machine, d.component, d.years_back
    UNION ALL
    SELECT d.leaf, d.machine, NULL, d.years_back, count(DISTINCT d.job)
    FROM dated AS d
    INNER JOIN whole_year AS y ON y.years_back = d.years_back
    GROUP BY d.leaf, d.machine, d.years_back
),
fault_of_machine AS (
    SELECT f.component, f.leaf, f.years_back, f.events, coalesce(m.quarter_days, 0) AS quarter_days
    FROM fault AS f
    LEFT JOIN machine_year AS m ON m.leaf = f.leaf AND m.machine = f.machine AND m.years_back = f.years_back
    UNION ALL
    SELECT f.component, f.leaf, NULL, sum(f.events), max(coalesce(m.quarter_days, 0))
    FROM fault AS f
    LEFT JOIN machine AS m ON m.leaf = f.leaf AND m.machine = f.machine
    GROUP BY f.component, f.leaf, f.machine
),
failed AS (
    SELECT
        component,
        leaf,
        years_back,
        sum(events) AS events,
        sum(events * events) AS events_squared,
        sum(events * quarter_days) AS events_times_quarter_days
    FROM fault_of_machine
    GROUP BY component, leaf, years_back
)
SELECT
    w.scope_id,
    p.component,
    s.years_back,
    CAST(coalesce(sum(f.events), 0) AS BIGINT) AS events,
    sum(s.quarter_days) / 1461.0 AS machine_years,
    CAST(coalesce(sum(f.events_squared), 0) AS DOUBLE) AS events_squared,
    CAST(coalesce(sum(f.events_times_quarter_days), 0) AS DOUBLE) / 1461.0 AS events_times_machine_years,
    CAST(sum(s.quarter_days_squared) AS DOUBLE) / (1461.0 * 1461.0) AS machine_years_squared
FROM size AS s
INNER JOIN part AS p ON p.leaf = s.leaf
INNER JOIN wanted AS w ON w.leaf = s.leaf
LEFT JOIN failed AS f ON f.leaf = s.leaf AND f.component IS NOT DISTINCT FROM p.component AND f.years_back IS NOT DISTINCT FROM s.years_back
GROUP BY w.scope_id, p.component, s.years_back
ORDER BY w.scope_id, p.component NULLS FIRST, s.years_back DESC NULLS FIRST
