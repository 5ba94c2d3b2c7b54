-- One row per scope, component (null: any; not_named: no part is named) and age band (null: all ages): primary faults on watched roster machines
-- that have the component, and the sums over machines that the interval needs. Any fault counts a job once.
-- Reads: roster_fault, roster_job, machine_exposure, leaf_component, leaf_scope.
WITH happened AS (
    SELECT f.leaf, f.machine, f.component, f.age_from_years, f.repeats
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed
    UNION ALL
    SELECT leaf, machine, component, age_from_years, repeats FROM roster_fault WHERE observed AND component = 'not_named'
    UNION ALL
    SELECT leaf, machine, CAST(NULL AS VARCHAR), age_from_years, repeats FROM roster_job WHERE observed
),
per_machine AS (
    SELECT leaf, machine, component, age_from_years, count(*) AS events, sum(CASE WHEN repeats THEN 1 ELSE 0 END) AS repeat_events
    FROM happened
    WHERE age_from_years IS NOT NULL
    GROUP BY leaf, machine, component, age_from_years
    UNION ALL
    SELECT leaf, machine, component, NULL, count(*), sum(CASE WHEN repeats THEN 1 ELSE 0 END)
    FROM happened
    GROUP BY leaf, machine, component
),
per_leaf AS (
    SELECT
        p.leaf,
        p.component,
        p.age_from_years,
        sum(p.events) AS events,
        sum(p.repeat_events) AS repeat_events,
        sum(p.events * p.events) AS events_squared,
        sum(CAST(p.events AS HUGEINT) * coalesce(e.quarter_days, 0)) AS events_times_quarter_days
    FROM per_machine AS p
    LEFT JOIN machine_exposure AS e
        ON e.machine = p.machine AND e.leaf = p.leaf AND e.age_from_years IS NOT DISTINCT FROM p.age_from_years
    GROUP BY p.leaf, p.component, p.age_from_years
)
SELECT
    s.scope_id,
    p.component,
    p.age_from_years,
    CAST(sum(p.events) AS BIGINT) AS events,
    CAST(sum(p.repeat_events) AS BIGINT) AS repeat_events,
    CAST(sum(p.events_squared) AS DOUBLE) AS events_squared,
    CAST(sum(p.events_times_quarter_days) AS DOUBLE) / 1461.0 AS events_times_machine_years
FROM per_leaf AS p
INNER JOIN leaf_scope AS s ON s.leaf = p.leaf
GROUP BY s.scope_id, p.component, p.age_from_years
ORDER BY s.scope_id, p.component NULLS FIRST, p.age_from_years NULLS FIRST
