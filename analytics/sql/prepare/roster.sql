-- One row per machine of the roster, under a small number instead of its hashed key.
-- Reads: store_machines, catalogue.
WITH one_each AS (
    SELECT
        *,
        row_number() OVER (PARTITION BY machine_key ORDER BY source, source_file, source_line) AS occurrence
    FROM store_machines
    WHERE machine_key IS NOT NULL
)
SELECT
    row_number() OVER (ORDER BY m.source, m.source_file, m.source_line, m.machine_key) AS machine,
    m.machine_key,
    m.machine_id_key,
    m.serial_key,
    coalesce(c.category, m.category) AS category,
    coalesce(c.brand, m.brand) AS brand,
    m.model_key,
    m.in_service_on,
    m.entered_on,
    m.left_on,
    m.left_reason
FROM one_each AS m
LEFT JOIN catalogue AS c ON c.model_key = m.model_key
WHERE m.occurrence = 1
