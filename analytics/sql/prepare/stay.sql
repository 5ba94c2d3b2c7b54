-- One row per stay of a roster machine and day on which watching began and ended. It begins where the machine has entered, is in service, and its
-- source has job records, and ends where it left, where a job condemned it, or where the records end. Stays of one machine at several
-- sources are watched one after the other.
-- left_reason: why it ended; missing where it is only out of sight from then on.
-- Reads: store_machines, machine_number, roster, source_span, dated_job.
WITH listed AS (
    SELECT
        n.machine,
        m.source,
        m.entered_on,
        m.left_on,
        m.left_reason,
        greatest(m.entered_on, s.from_on, coalesce(r.in_service_on, m.entered_on)) AS from_on,
        least(coalesce(m.left_on, s.to_on), s.to_on) AS to_on
    FROM store_machines AS m
    INNER JOIN machine_number AS n ON n.source = m.source AND n.machine_key = m.machine_key
    INNER JOIN roster AS r ON r.machine = n.machine
    INNER JOIN source_span AS s ON s.source = m.source
    WHERE m.entered_on IS NOT NULL
),
condemned AS (
    SELECT l.machine, l.source, l.entered_on, min(j.event_on) AS condemned_on
    FROM listed AS l
    INNER JOIN dated_job AS j
        ON j.machine = l.machine AND j.outcome = 'condemned' AND j.event_on >= l.from_on AND j.event_on <= l.to_on
    GROUP BY l.machine, l.source, l.entered_on
),
ended AS (
    SELECT
        l.machine,
        l.source,
        l.from_on,
        coalesce(c.condemned_on, l.to_on) AS to_on,
        CASE
            WHEN c.condemned_on IS NOT NULL THEN 'condemned'
            WHEN l.left_on = l.to_on THEN l.left_reason
        END AS left_reason
    FROM listed AS l
    LEFT JOIN condemned AS c ON c.machine = l.machine AND c.source = l.source AND c.entered_on = l.entered_on
),
several AS (
    SELECT machine FROM ended GROUP BY machine HAVING count(*) > 1
),
in_order AS (
    SELECT
        e.*,
        max(e.to_on) OVER (
            PARTITION BY e.machine ORDER BY e.from_on, e.to_on, e.source ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS watched_to
    FROM ended AS e
    INNER JOIN several AS s ON s.machine = e.machine
),
one_by_one AS (
    SELECT machine, greatest(from_on, coalesce(watched_to, from_on)) AS from_on, to_on, left_reason FROM in_order
    UNION ALL
    SELECT e.machine, e.from_on, e.to_on, e.left_reason
    FROM ended AS e
    LEFT JOIN several AS s ON s.machine = e.machine
    WHERE s.machine IS NULL
)
SELECT machine, from_on, to_on, left_reason
FROM one_by_one
WHERE to_on > from_on
