-- One row per source and machine of its roster: the machine under a small number instead of its hashed key. Numbers of machines belong to their
-- source; a serial number makes one machine of several only where kind and model agree. Machines are numbered in the order of their files.
-- Reads: store_machines.
WITH listed AS (
    SELECT
        source,
        machine_key,
        min(machine_id_key) AS machine_id_key,
        min(serial_key) AS serial_key,
        min(category) AS category,
        min(model_key) AS model_key,
        min(source || ' ' || source_file || ' ' || lpad(CAST(source_line AS VARCHAR), 12, '0')) AS first_row
    FROM store_machines
    WHERE machine_key IS NOT NULL
    GROUP BY source, machine_key
),
shared AS (
    SELECT serial_key, category, model_key, min(first_row) AS first_row
    FROM listed
    WHERE serial_key IS NOT NULL AND category IS NOT NULL AND model_key IS NOT NULL
    GROUP BY serial_key, category, model_key
    HAVING count(*) > 1
)
SELECT
    l.source,
    l.machine_key,
    l.machine_id_key,
    l.serial_key,
    l.category,
    l.model_key,
    dense_rank() OVER (ORDER BY coalesce(s.first_row, l.first_row)) AS machine
FROM listed AS l
LEFT JOIN shared AS s ON s.serial_key = l.serial_key AND s.category = l.category AND s.model_key = l.model_key
