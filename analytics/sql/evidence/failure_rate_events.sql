-- One row per scope, component (null: any) and age band (null: all ages): primary faults observed on roster machines that have the component.
-- Reads: roster_fault, leaf_component, leaf_scope.
WITH counted AS (
    SELECT
        f.leaf,
        f.component,
        f.age_from_years,
        count(*) AS events,
        sum(CASE WHEN f.repeats THEN 1 ELSE 0 END) AS repeat_events
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed
    GROUP BY f.leaf, f.component, f.age_from_years
)
SELECT
    s.scope_id,
    c.component,
    c.age_from_years,
    CAST(sum(c.events) AS BIGINT) AS events,
    CAST(sum(c.repeat_events) AS BIGINT) AS repeat_events
FROM counted AS c
INNER JOIN leaf_scope AS s ON s.leaf = c.leaf
GROUP BY
    GROUPING SETS (
        (s.scope_id, c.component, c.age_from_years), (s.scope_id, c.component), (s.scope_id, c.age_from_years), (s.scope_id)
    )
ORDER BY s.scope_id, c.component NULLS FIRST, c.age_from_years NULLS FIRST
