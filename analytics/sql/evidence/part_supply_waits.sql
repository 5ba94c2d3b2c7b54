-- One row per scope, slice, limit of the law and number of working days (missing where nobody wrote down when): orders delivered after so many, still open after
-- so many, refused (after none), and those that came or were not needed on a day that is not recorded.
-- Reads: part_order_slice, leaf_scope, scope.
SELECT
    s.scope_id,
    o.part_source,
    o.of_audience,
    o.of_law,
    o.of_class,
    o.period,
    o.delivery_working_days,
    o.wait_working_days,
    CAST(sum(CASE WHEN o.ending = 'delivered' THEN 1 ELSE 0 END) AS BIGINT) AS delivered,
    CAST(sum(CASE WHEN o.ending = 'open' THEN 1 ELSE 0 END) AS BIGINT) AS still_open,
    CAST(sum(CASE WHEN o.ending = 'unavailable' THEN 1 ELSE 0 END) AS BIGINT) AS unavailable,
    CAST(sum(CASE WHEN o.ending = 'not_recorded' THEN 1 ELSE 0 END) AS BIGINT) AS not_recorded
FROM part_order_slice AS o
INNER JOIN leaf_scope AS s ON s.leaf = o.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE (c.scope_level = 'category' OR (c.scope_level = 'all' AND o.of_class IS NULL) OR o.of_audience IS NULL)
GROUP BY s.scope_id, o.part_source, o.of_audience, o.of_law, o.of_class, o.period, o.delivery_working_days, o.wait_working_days
ORDER BY
    s.scope_id, o.part_source, o.of_audience NULLS FIRST, o.of_law NULLS FIRST, o.of_class NULLS FIRST, o.period,
    o.delivery_working_days, o.wait_working_days NULLS FIRST
