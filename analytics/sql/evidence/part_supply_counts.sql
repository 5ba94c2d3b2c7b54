-- One row per scope, slice and statistic: orders that it could happen to, those of them that were open at the cut-off or whose end nobody recorded, those that
-- it is known to have happened to; sums over machines of the orders of which it is known, for the design effect.
-- An order that is still open after more days than the law allows is known to be late. At most four public holidays fall into three weeks and a day
-- (Christmas and New Year in Scotland; common practice, no source).
-- By audience for everything and for a category, by class for a category.
-- Reads: part_order_slice, leaf_scope, scope.
WITH judged AS (
    SELECT
        o.*,
        CASE WHEN ending IN ('delivered', 'open') THEN 1 ELSE 0 END AS waited,
        CASE WHEN ending = 'unavailable' THEN 1 ELSE 0 END AS refused,
        CASE WHEN ending = 'not_recorded' THEN 1 ELSE 0 END AS not_recorded,
        CASE WHEN ending IN ('open', 'not_recorded') THEN 1 ELSE 0 END AS no_end,
        CASE WHEN ending IN ('delivered', 'open') AND wait_working_days > delivery_working_days THEN 1 ELSE 0 END AS late,
        CASE WHEN ending IN ('delivered', 'open') AND wait_working_days > delivery_working_days + 4 THEN 1 ELSE 0 END AS later,
        CASE WHEN ending = 'delivered' OR (ending = 'open' AND wait_working_days > delivery_working_days) THEN 1 ELSE 0 END AS decided
    FROM part_order_slice AS o
),
per_machine AS (
    SELECT
        leaf,
        cluster,
        part_source,
        of_audience,
        of_law,
        of_class,
        period,
        sum(waited) AS waited,
        sum(refused) AS refused,
        sum(not_recorded) AS not_recorded,
        sum(no_end) AS no_end,
        sum(late) AS late,
        sum(later) AS later,
        sum(decided) AS decided
    FROM judged
    GROUP BY leaf, cluster, part_source, of_audience, of_law, of_class, period
),
measured AS (
    SELECT m.*, 'late' AS statistic, late AS events, decided AS trials, waited AS orders FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'late_allowing_holidays' AS statistic, later AS events, decided AS trials, waited AS orders FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'unavailable' AS statistic, refused AS events, decided + not_recorded + refused AS trials, waited + not_recorded + refused AS orders
    FROM per_machine AS m
    UNION ALL
    SELECT m.*, 'late_or_unavailable' AS statistic, late + refused AS events, decided + refused AS trials, waited + not_recorded + refused AS orders
    FROM per_machine AS m
)
SELECT
    s.scope_id,
    m.part_source,
    m.of_audience,
    m.of_law,
    m.of_class,
    m.period,
    m.statistic,
    CAST(sum(m.orders) AS BIGINT) AS orders,
    CAST(sum(m.no_end) AS BIGINT) AS orders_open,
    CAST(sum(m.events) AS BIGINT) AS events,
    CAST(sum(CASE WHEN m.orders > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines,
    CAST(sum(CASE WHEN m.trials > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines_decided,
    CAST(sum(m.trials) AS DOUBLE) AS trials,
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
