-- One row per machine of the roster, under a small number instead of its hashed key. Where several sources have it, the first of them counts.
-- Machines are numbered in the order of their files. Only what that needs is sorted, the rest is joined to it.
-- Reads: store_machines, catalogue.
WITH one_each AS (
    SELECT machine_key, min(source) AS source FROM store_machines WHERE machine_key IS NOT NULL GROUP BY machine_key
),
numbered AS (
    SELECT
        o.machine_key,
        o.source,
        row_number() OVER (ORDER BY m.source, m.source_file, m.source_line, m.machine_key) AS machine
    FROM one_each AS o
    INNER JOIN store_machines AS m ON m.machine_key = o.machine_key AND m.source = o.source
)
SELECT
    n.machine,
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
FROM store_machines AS m
INNER JOIN numbered AS n ON n.machine_key = m.machine_key AND n.source = m.source
LEFT JOIN catalogue AS c ON c.model_key = m.model_key
