-- One row per scope (everything, a category), sealed component, category and age band (-1: unknown): jobs with that primary fault and those condemned, in
-- machines that seal the part in and in machines of known design that do not.
-- Reads: primary_fault, job, leaf, sealed_component, leaf_scope, scope.
SELECT
    s.scope_id,
    p.component,
    l.category,
    coalesce(j.age_from_years, -1) AS age_from_years,
    CAST(sum(CASE WHEN l.drum_design = e.design_value THEN 1 ELSE 0 END) AS BIGINT) AS exposed_total,
    CAST(sum(CASE WHEN l.drum_design = e.design_value AND j.outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT) AS exposed_events,
    CAST(sum(CASE WHEN l.drum_design <> e.design_value THEN 1 ELSE 0 END) AS BIGINT) AS reference_total,
    CAST(sum(CASE WHEN l.drum_design <> e.design_value AND j.outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT) AS reference_events
FROM primary_fault AS p
INNER JOIN job AS j ON j.job = p.job
INNER JOIN leaf AS l ON l.leaf = j.leaf AND l.drum_design IS NOT NULL
INNER JOIN sealed_component AS e ON e.category = l.category AND e.component = p.component AND e.design_name = 'drum_design'
INNER JOIN leaf_scope AS s ON s.leaf = j.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE c.scope_level IN ('all', 'category')
GROUP BY s.scope_id, p.component, l.category, coalesce(j.age_from_years, -1)
ORDER BY s.scope_id, p.component, l.category, coalesce(j.age_from_years, -1)
