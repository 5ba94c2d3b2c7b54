-- One row per scope, slice and wait: how many delivered orders took so many working days.
-- Reads: part_order_slice, leaf_scope, scope.
SELECT
    s.scope_id,
    o.part_source,
    o.of_audience,
    o.of_law,
    o.of_class,
    o.period,
    o.wait_working_days,
    count(*) AS orders
FROM part_order_slice AS o
INNER JOIN leaf_scope AS s ON s.leaf = o.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE o.delivered = 1 AND (c.scope_level = 'category' OR (c.scope_level = 'all' AND o.of_class IS NULL) OR o.of_audience IS NULL)
GROUP BY s.scope_id, o.part_source, o.of_audience, o.of_law, o.of_class, o.period, o.wait_working_days
ORDER BY
    s.scope_id, o.part_source, o.of_audience NULLS FIRST, o.of_law NULLS FIRST, o.of_class NULLS FIRST, o.period, o.wait_working_days
