-- One row per source and hashed identifier seen in its jobs: the machine it stands for. Roster machines keep their number, others follow after
-- them. Identifiers belong to their source; a serial number links sources only where kind and model agree.
-- Reads: machine_number, store_jobs.
WITH own_identifier AS (
    SELECT source, machine_id_key AS identifier, machine FROM machine_number WHERE machine_id_key IS NOT NULL
    UNION ALL
    SELECT source, serial_key AS identifier, machine FROM machine_number WHERE serial_key IS NOT NULL
),
own AS (
    SELECT source, identifier, min(machine) AS machine FROM own_identifier GROUP BY source, identifier
),
elsewhere AS (
    SELECT serial_key, category, model_key, min(machine) AS machine
    FROM machine_number
    WHERE serial_key IS NOT NULL AND category IS NOT NULL AND model_key IS NOT NULL
    GROUP BY serial_key, category, model_key
),
seen AS (
    SELECT
        source,
        coalesce(machine_id_key, serial_key) AS identifier,
        min(serial_key) AS serial_key,
        min(category) AS category,
        min(model_key) AS model_key,
        min(CAST(closed_on AS VARCHAR) || ' ' || source || ' ' || job_id) AS first_job
    FROM store_jobs
    WHERE coalesce(machine_id_key, serial_key) IS NOT NULL
    GROUP BY source, coalesce(machine_id_key, serial_key)
),
matched AS (
    SELECT s.*, coalesce(o.machine, b.machine, e.machine) AS machine
    FROM seen AS s
    LEFT JOIN own AS o ON o.source = s.source AND o.identifier = s.identifier
    LEFT JOIN own AS b ON b.source = s.source AND b.identifier = s.serial_key
    LEFT JOIN elsewhere AS e ON e.serial_key = s.serial_key AND e.category = s.category AND e.model_key = s.model_key
),
shared AS (
    SELECT serial_key, category, model_key, min(first_job) AS first_job
    FROM matched
    WHERE machine IS NULL AND serial_key IS NOT NULL AND category IS NOT NULL AND model_key IS NOT NULL
    GROUP BY serial_key, category, model_key
    HAVING count(*) > 1
),
stranger AS (
    SELECT m.source, m.identifier, dense_rank() OVER (ORDER BY coalesce(s.first_job, m.first_job)) AS position
    FROM matched AS m
    LEFT JOIN shared AS s ON s.serial_key = m.serial_key AND s.category = m.category AND s.model_key = m.model_key
    WHERE m.machine IS NULL
)
SELECT source, identifier, machine, TRUE AS on_roster
FROM matched
WHERE machine IS NOT NULL
UNION ALL
SELECT
    source,
    identifier,
    position + (SELECT coalesce(max(machine), 0) FROM machine_number) AS machine,
    FALSE AS on_roster
FROM stranger
