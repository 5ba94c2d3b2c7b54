-- One row per model with a complete declared sheet that jobs or the roster hold: its ten sub-scores.
-- Reads: store_models, scope.
WITH sheet AS (
    SELECT
        model_key,
        max(declared_documentation) AS documentation,
        max(declared_disassembly_depth) AS disassembly_depth,
        max(declared_tools) AS tools,
        max(declared_fasteners) AS fasteners,
        max(declared_availability_professional) AS availability_professional,
        max(declared_availability_consumer) AS availability_consumer,
        max(declared_delivery_professional) AS delivery_professional,
        max(declared_delivery_consumer) AS delivery_consumer,
        max(declared_price) AS price,
        max(declared_specific) AS specific
    FROM store_models
    WHERE model_key IS NOT NULL
    GROUP BY model_key
)
SELECT s.scope_id, m.*
FROM sheet AS m
INNER JOIN scope AS s ON s.scope_level = 'model' AND s.scope = m.model_key
WHERE m.documentation IS NOT NULL AND m.disassembly_depth IS NOT NULL AND m.tools IS NOT NULL AND m.fasteners IS NOT NULL
    AND m.availability_professional IS NOT NULL AND m.availability_consumer IS NOT NULL AND m.delivery_professional IS NOT NULL
    AND m.delivery_consumer IS NOT NULL AND m.price IS NOT NULL AND m.specific IS NOT NULL
ORDER BY s.scope_id
