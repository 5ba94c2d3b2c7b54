-- One row per large slice of one kind, of the scopes of one level, and cost and amount in hundredths: jobs that cost that; amounts ascend.
-- Parameters: slice kind, scope level, most jobs of a small slice.
-- Reads: cost_value, cost_slice, leaf_scope, scope.
SELECT t.scope_id, t.component, t.age_from_years, v.cost, v.amount, CAST(sum(v.jobs) AS BIGINT) AS jobs
FROM cost_slice AS t
INNER JOIN scope AS s ON s.scope_id = t.scope_id
INNER JOIN leaf_scope AS l ON l.scope_id = t.scope_id
INNER JOIN cost_value AS v
    ON v.leaf = l.leaf
    AND v.slice = t.slice
    AND v.component IS NOT DISTINCT FROM t.component
    AND v.age_from_years IS NOT DISTINCT FROM t.age_from_years
WHERE t.slice = ? AND s.scope_level = ? AND t.jobs > ?
GROUP BY t.scope_id, t.component, t.age_from_years, v.cost, v.amount
ORDER BY t.scope_id, t.component NULLS FIRST, t.age_from_years NULLS FIRST, v.cost, v.amount
