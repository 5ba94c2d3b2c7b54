-- One row per machine of the roster: what kind it is, and the day from which its age counts.
-- Reads: store_machines, machine_number, catalogue.
SELECT
    n.machine,
    min(coalesce(c.category, m.category)) AS category,
    min(coalesce(c.brand, m.brand)) AS brand,
    min(m.model_key) AS model_key,
    min(m.in_service_on) AS in_service_on
FROM store_machines AS m
INNER JOIN machine_number AS n ON n.source = m.source AND n.machine_key = m.machine_key
LEFT JOIN catalogue AS c ON c.model_key = m.model_key
GROUP BY n.machine
