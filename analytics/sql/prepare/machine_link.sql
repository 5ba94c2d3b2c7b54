-- One row per hashed identifier seen in a job: the machine it stands for. Roster machines keep their number, others follow after them.
-- Reads: roster, store_jobs.
WITH roster_identifier AS (
    SELECT machine_id_key AS identifier, machine FROM roster WHERE machine_id_key IS NOT NULL
    UNION ALL
    SELECT serial_key AS identifier, machine FROM roster WHERE serial_key IS NOT NULL
),
known AS (
    SELECT identifier, min(machine) AS machine FROM roster_identifier GROUP BY identifier
),
seen AS (
    SELECT DISTINCT coalesce(machine_id_key, serial_key) AS identifier
    FROM store_jobs
    WHERE coalesce(machine_id_key, serial_key) IS NOT NULL
),
stranger AS (
    SELECT s.identifier, row_number() OVER (ORDER BY s.identifier) AS position
    FROM seen AS s
    LEFT JOIN known AS k ON k.identifier = s.identifier
    WHERE k.identifier IS NULL
)
SELECT k.identifier, k.machine, TRUE AS on_roster
FROM known AS k
INNER JOIN seen AS s ON s.identifier = k.identifier
UNION ALL
SELECT
    identifier,
    position + (SELECT coalesce(max(machine), 0) FROM roster) AS machine,
    FALSE AS on_roster
FROM stranger
