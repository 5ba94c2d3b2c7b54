-- One row per category, age band, design trait, its value, model and primary component (null: any): jobs with a primary fault known, and those condemned.
-- Reads: primary_fault, job, leaf.
WITH designed AS (
    SELECT leaf, category, model_key, 'drum_design' AS trait, drum_design AS trait_value FROM leaf WHERE drum_design IS NOT NULL
    UNION ALL
    SELECT leaf, category, model_key, 'motor_type', motor_type FROM leaf WHERE motor_type IS NOT NULL
),
sliced AS (
    SELECT job, CAST(NULL AS VARCHAR) AS component FROM primary_fault
    UNION ALL
    SELECT job, component FROM primary_fault WHERE component <> 'not_named'
)
SELECT
    d.category,
    j.age_from_years,
    d.trait,
    d.trait_value,
    d.model_key,
    p.component,
    CAST(count(*) AS DOUBLE) AS jobs,
    CAST(sum(CASE WHEN j.outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT) AS condemned
FROM sliced AS p
INNER JOIN job AS j ON j.job = p.job
INNER JOIN designed AS d ON d.leaf = j.leaf
WHERE j.age_from_years IS NOT NULL AND d.category IS NOT NULL AND d.model_key IS NOT NULL
GROUP BY d.category, j.age_from_years, d.trait, d.trait_value, d.model_key, p.component
ORDER BY d.trait, d.category, p.component NULLS FIRST, j.age_from_years, d.trait_value, d.model_key
