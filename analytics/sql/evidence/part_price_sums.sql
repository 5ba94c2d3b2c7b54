-- One row per measure (one piece, all pieces of an order line), scope, component and part source: sums over machines of the logarithms of prices, in millionths.
-- Reads: part_bought, leaf_scope, scope.
WITH machine AS (
    SELECT
        leaf,
        component,
        part_source,
        count(*) AS parts,
        sum(log_unit_millionths) AS log_unit_cost,
        sum(log_line_millionths) AS log_line_cost
    FROM part_bought
    GROUP BY leaf, cluster, component, part_source
),
per_machine AS (
    SELECT m.leaf, m.component, m.part_source, v.measure, m.parts, v.log_cost
    FROM machine AS m
    CROSS JOIN LATERAL (VALUES ('unit', m.log_unit_cost), ('line', m.log_line_cost)) AS v (measure, log_cost)
)
SELECT
    m.measure,
    s.scope_id,
    m.component,
    m.part_source,
    count(*) AS machines,
    CAST(sum(m.parts) AS BIGINT) AS parts,
    CAST(sum(m.log_cost) AS DOUBLE) AS log_cost,
    CAST(sum(CAST(m.log_cost AS HUGEINT) * m.log_cost) AS DOUBLE) AS log_cost_squared,
    CAST(sum(CAST(m.log_cost AS HUGEINT) * m.parts) AS DOUBLE) AS log_cost_times_parts,
    CAST(sum(m.parts * m.parts) AS DOUBLE) AS parts_squared
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS c ON c.scope_id = s.scope_id
WHERE c.scope_level IN ('all', 'category', 'platform')
GROUP BY m.measure, s.scope_id, m.component, m.part_source
ORDER BY m.measure, s.scope_id, m.component, m.part_source
