-- One row per model, measure and value: orders of the maker's own parts by working days waited (those still open then apart), such parts bought by their
-- fraction of the price new, repairs by minutes of labour.
-- Reads: part_order, part_bought, job, leaf_scope, scope.
WITH measured AS (
    SELECT leaf, 'delivery' AS statistic, CAST(wait_working_days AS DOUBLE) AS amount, CASE WHEN ending = 'open' THEN 1 ELSE 0 END AS still_open
    FROM part_order
    WHERE part_source = 'new-original' AND ending IN ('delivered', 'open')
    UNION ALL
    SELECT leaf, 'price' AS statistic, to_price_new AS amount, 0 AS still_open
    FROM part_bought
    WHERE part_source = 'new-original' AND to_price_new IS NOT NULL
    UNION ALL
    SELECT leaf, 'disassembly' AS statistic, labour_minutes AS amount, 0 AS still_open
    FROM job
    WHERE outcome = 'repaired' AND labour_minutes IS NOT NULL
)
SELECT s.scope_id, m.statistic, m.amount, count(*) AS records, CAST(sum(m.still_open) AS BIGINT) AS still_open
FROM measured AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE c.scope_level = 'model'
GROUP BY s.scope_id, m.statistic, m.amount
ORDER BY s.scope_id, m.statistic, m.amount
