-- One row per model, measure and value: orders of the maker's own parts by working days waited, such parts bought by their fraction of the
-- price new, repairs by minutes of labour.
-- Reads: part_order, part_bought, job, leaf_scope, scope.
WITH measured AS (
    SELECT leaf, 'delivery' AS statistic, CAST(wait_working_days AS DOUBLE) AS amount
    FROM part_order
    WHERE part_source = 'new-original' AND wait_working_days IS NOT NULL
    UNION ALL
    SELECT leaf, 'price' AS statistic, to_price_new AS amount
    FROM part_bought
    WHERE part_source = 'new-original' AND to_price_new IS NOT NULL
    UNION ALL
    SELECT leaf, 'disassembly' AS statistic, labour_minutes AS amount
    FROM job
    WHERE outcome = 'repaired' AND labour_minutes IS NOT NULL
)
SELECT s.scope_id, m.statistic, m.amount, count(*) AS records
FROM measured AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE c.scope_level = 'model'
GROUP BY s.scope_id, m.statistic, m.amount
ORDER BY s.scope_id, m.statistic, m.amount
