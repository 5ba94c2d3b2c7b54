-- One row per scope, component, part source and value: pieces bought at that price, or at that fraction of the machine's price new.
-- Reads: part_bought, leaf_scope, scope.
WITH valued AS (
    SELECT leaf, component, part_source, 'price' AS statistic, unit_cost AS amount FROM part_bought
    UNION ALL
    SELECT leaf, component, part_source, 'line_cost' AS statistic, line_cost AS amount FROM part_bought
    UNION ALL
    SELECT leaf, component, part_source, 'to_price_new' AS statistic, to_price_new AS amount FROM part_bought WHERE to_price_new IS NOT NULL
)
SELECT s.scope_id, v.component, v.part_source, v.statistic, v.amount, count(*) AS parts
FROM valued AS v
INNER JOIN leaf_scope AS s ON s.leaf = v.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE c.scope_level IN ('all', 'category', 'platform')
GROUP BY s.scope_id, v.component, v.part_source, v.statistic, v.amount
ORDER BY s.scope_id, v.component, v.part_source, v.statistic, v.amount
