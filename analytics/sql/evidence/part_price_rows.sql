-- One row per scope, component and new part bought for it (each distinct order line) with its unit price, for components that can be sealed in
-- and for the assemblies that hold them.
-- Reads: job_part, sealed_component, leaf_scope.
WITH wanted AS (
    SELECT component FROM sealed_component
    UNION
    SELECT assembly FROM sealed_component WHERE assembly IS NOT NULL
)
SELECT s.scope_id, p.component, p.unit_cost
FROM job_part AS p
INNER JOIN wanted AS w ON w.component = p.component
INNER JOIN leaf_scope AS s ON s.leaf = p.leaf
WHERE p.unit_cost IS NOT NULL AND p.part_source IN ('new-original', 'new-pattern')
ORDER BY s.scope_id, p.component, p.unit_cost
