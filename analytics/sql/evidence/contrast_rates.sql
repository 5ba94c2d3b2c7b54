-- One row per category, age band, design trait, its value and component (null: any): observed primary faults and machine-years.
-- Reads: exposure, roster_fault, leaf_component, leaf.
WITH designed AS (
    SELECT leaf, category, 'drum_design' AS trait, drum_design AS trait_value FROM leaf WHERE drum_design IS NOT NULL
    UNION ALL
    SELECT leaf, category, 'motor_type', motor_type FROM leaf WHERE motor_type IS NOT NULL
),
part AS (
    SELECT leaf, component FROM leaf_component
    UNION ALL
    SELECT leaf, NULL FROM leaf
),
exposed AS (
    SELECT d.category, e.age_from_years, d.trait, d.trait_value, p.component, sum(e.quarter_days) AS quarter_days
    FROM exposure AS e
    INNER JOIN designed AS d ON d.leaf = e.leaf
    INNER JOIN part AS p ON p.leaf = e.leaf
    GROUP BY d.category, e.age_from_years, d.trait, d.trait_value, p.component
),
failed AS (
    SELECT d.category, f.age_from_years, d.trait, d.trait_value, c.component, count(*) AS events
    FROM roster_fault AS f
    INNER JOIN designed AS d ON d.leaf = f.leaf
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed
    GROUP BY d.category, f.age_from_years, d.trait, d.trait_value, c.component
    UNION ALL
    SELECT d.category, f.age_from_years, d.trait, d.trait_value, NULL, count(*)
    FROM roster_fault AS f
    INNER JOIN designed AS d ON d.leaf = f.leaf
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    WHERE f.observed
    GROUP BY d.category, f.age_from_years, d.trait, d.trait_value
)
SELECT
    e.category,
    e.age_from_years,
    e.trait,
    e.trait_value,
    e.component,
    e.quarter_days / 1461.0 AS machine_years,
    coalesce(f.events, 0) AS events
FROM exposed AS e
LEFT JOIN failed AS f
    ON f.category = e.category
    AND f.age_from_years = e.age_from_years
    AND f.trait = e.trait
    AND f.trait_value = e.trait_value
    AND f.component IS NOT DISTINCT FROM e.component
ORDER BY e.trait, e.category, e.component NULLS FIRST, e.age_from_years, e.trait_value
