-- One row per scope, component and new part bought for it (each distinct order line) with its unit price, for components that can be sealed in
-- and for the assemblies that hold them.
-- Reads: store_parts, job, sealed_component, leaf_scope, money_of_account.
WITH wanted AS (
    SELECT component FROM sealed_component
    UNION
    SELECT assembly FROM sealed_component WHERE assembly IS NOT NULL
)
SELECT s.scope_id, p.component, p.unit_cost
FROM store_parts AS p
INNER JOIN wanted AS w ON w.component = p.component
INNER JOIN job AS j ON j.source = p.source AND j.job_id = p.job_id
INNER JOIN money_of_account AS m ON coalesce(p.currency, m.currency) = m.currency
INNER JOIN leaf_scope AS s ON s.leaf = j.leaf
WHERE p.unit_cost IS NOT NULL AND p.part_source IN ('new-original', 'new-pattern')
ORDER BY s.scope_id, p.component, p.unit_cost
