-- One row per scope, slice and statistic: orders that it happened to over orders it could happen to; sums over machines for clustered intervals.
-- By audience for everything and for a category, by class for a category.
-- Reads: part_order_slice, leaf_scope, scope.
WITH per_machine AS (
    SELECT
        leaf,
        cluster,
        part_source,
        of_audience,
        of_law,
        of_class,
        period,
        count(*) AS orders,
        sum(delivered) AS delivered,
        sum(late) AS late,
        sum(late_allowing_holidays) AS late_allowing_holidays,
        sum(unavailable) AS unavailable
    FROM part_order_slice
    GROUP BY leaf, cluster, part_source, of_audience, of_law, of_class, period
),
measured AS (
    SELECT m.*, 'late' AS statistic, late AS events, delivered AS trials FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'late_allowing_holidays' AS statistic, late_allowing_holidays AS events, delivered AS trials FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'unavailable' AS statistic, unavailable AS events, delivered + unavailable AS trials FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'late_or_unavailable' AS statistic, late + unavailable AS events, delivered + unavailable AS trials FROM per_machine AS m
)
SELECT
    s.scope_id,
    m.part_source,
    m.of_audience,
    m.of_law,
    m.of_class,
    m.period,
    m.statistic,
    CAST(sum(m.trials) AS BIGINT) AS orders,
    CAST(sum(m.orders - m.delivered - m.unavailable) AS BIGINT) AS orders_open,
    CAST(sum(m.events) AS BIGINT) AS events,
    CAST(sum(CASE WHEN m.trials > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines,
    CAST(sum(m.events * m.events) AS DOUBLE) AS events_squared,
    CAST(sum(m.events * m.trials) AS DOUBLE) AS events_times_trials,
    CAST(sum(m.trials * m.trials) AS DOUBLE) AS trials_squared
FROM measured AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE (c.scope_level = 'category' OR (c.scope_level = 'all' AND m.of_class IS NULL) OR m.of_audience IS NULL)
GROUP BY s.scope_id, m.part_source, m.of_audience, m.of_law, m.of_class, m.period, m.statistic
ORDER BY
    s.scope_id, m.part_source, m.of_audience NULLS FIRST, m.of_law NULLS FIRST, m.of_class NULLS FIRST, m.period, m.statistic
