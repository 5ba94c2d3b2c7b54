-- One row per scope, component (null: any) and age band (null: all ages): machine-years of the machines that have the component.
-- Reads: exposure, observation, leaf, leaf_component, leaf_scope.
WITH leaf_machines AS (
    SELECT leaf, count(*) AS machines FROM observation GROUP BY leaf
),
by_leaf AS (
    SELECT leaf, age_from_years, quarter_days, machines FROM exposure
    UNION ALL
    SELECT e.leaf, NULL, sum(e.quarter_days), max(m.machines)
    FROM exposure AS e
    INNER JOIN leaf_machines AS m ON m.leaf = e.leaf
    GROUP BY e.leaf
),
applicable AS (
    SELECT leaf, component, trait_unknown FROM leaf_component
    UNION ALL
    SELECT leaf, NULL, FALSE FROM leaf
)
SELECT
    s.scope_id,
    a.component,
    b.age_from_years,
    sum(b.quarter_days) / 1461.0 AS machine_years,
    CAST(sum(b.machines) AS BIGINT) AS machines,
    CAST(sum(CASE WHEN a.trait_unknown THEN b.machines ELSE 0 END) AS BIGINT) AS machines_trait_unknown
FROM by_leaf AS b
INNER JOIN applicable AS a ON a.leaf = b.leaf
INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
GROUP BY s.scope_id, a.component, b.age_from_years
ORDER BY s.scope_id, a.component NULLS FIRST, b.age_from_years NULLS FIRST
