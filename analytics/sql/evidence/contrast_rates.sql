-- One row per category, age band, design trait, its value, model and component (null: any fault, a job once): observed faults and machine-years.
-- Reads: exposure, roster_fault, leaf_component, leaf.
WITH designed AS (
    SELECT leaf, category, model_key, 'drum_design' AS trait, drum_design AS trait_value FROM leaf WHERE drum_design IS NOT NULL
    UNION ALL
    SELECT leaf, category, model_key, 'motor_type', motor_type FROM leaf WHERE motor_type IS NOT NULL
),
part AS (
    SELECT leaf, component FROM leaf_component WHERE component <> 'not_named'
    UNION ALL
    SELECT leaf, NULL FROM leaf
),
exposed AS (
    SELECT d.category, e.age_from_years, d.trait, d.trait_value, d.model_key, p.component, sum(e.quarter_days) AS quarter_days
    FROM exposure AS e
    INNER JOIN designed AS d ON d.leaf = e.leaf
    INNER JOIN part AS p ON p.leaf = e.leaf
    WHERE e.age_from_years IS NOT NULL AND d.category IS NOT NULL AND d.model_key IS NOT NULL
    GROUP BY d.category, e.age_from_years, d.trait, d.trait_value, d.model_key, p.component
),
by_leaf AS (
    SELECT f.leaf, f.age_from_years, f.component, count(*) AS events
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed AND f.component <> 'not_named'
    GROUP BY f.leaf, f.age_from_years, f.component
    UNION ALL
    SELECT leaf, age_from_years, NULL, count(DISTINCT job) FROM roster_fault WHERE observed GROUP BY leaf, age_from_years
),
failed AS (
    SELECT d.category, f.age_from_years, d.trait, d.trait_value, d.model_key, f.component, sum(f.events) AS events
    FROM by_leaf AS f
    INNER JOIN designed AS d ON d.leaf = f.leaf
    GROUP BY d.category, f.age_from_years, d.trait, d.trait_value, d.model_key, f.component
)
SELECT
    e.category,
    e.age_from_years,
    e.trait,
    e.trait_value,
    e.model_key,
    e.component,
    e.quarter_days / 1461.0 AS machine_years,
    CAST(coalesce(f.events, 0) AS BIGINT) AS events
FROM exposed AS e
LEFT JOIN failed AS f
    ON f.category = e.category
    AND f.age_from_years = e.age_from_years
    AND f.trait = e.trait
    AND f.trait_value = e.trait_value
    AND f.model_key = e.model_key
    AND f.component IS NOT DISTINCT FROM e.component
ORDER BY e.trait, e.category, e.component NULLS FIRST, e.age_from_years, e.trait_value, e.model_key
