-- One row per scope, component (null: any; not_named: no part is named) and age band (null: all ages): machine-years of the machines that have
-- the component, with their squares summed over machines.
-- Reads: exposure, exposure_all_ages, leaf, leaf_component, leaf_scope.
WITH by_leaf AS (
    SELECT leaf, age_from_years, quarter_days, quarter_days_squared, machines FROM exposure
    UNION ALL
    SELECT leaf, NULL, quarter_days, quarter_days_squared, machines FROM exposure_all_ages
),
applicable AS (
    SELECT leaf, component, trait_unknown FROM leaf_component
    UNION ALL
    SELECT leaf, 'not_named', FALSE FROM leaf
    UNION ALL
    SELECT leaf, NULL, FALSE FROM leaf
)
SELECT
    s.scope_id,
    a.component,
    b.age_from_years,
    CAST(sum(b.quarter_days) AS DOUBLE) / 1461.0 AS machine_years,
    CAST(sum(b.quarter_days_squared) AS DOUBLE) / 1461.0 / 1461.0 AS machine_years_squared,
    CAST(sum(b.machines) AS BIGINT) AS machines,
    CAST(sum(CASE WHEN a.trait_unknown THEN b.machines ELSE 0 END) AS BIGINT) AS machines_trait_unknown
FROM by_leaf AS b
INNER JOIN applicable AS a ON a.leaf = b.leaf
INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
GROUP BY s.scope_id, a.component, b.age_from_years
ORDER BY s.scope_id, a.component NULLS FIRST, b.age_from_years NULLS FIRST
