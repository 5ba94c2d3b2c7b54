-- One row per job at the customer's home in the last twelve months (no recalls, a fault was found) and family it needed (null: none), in order of
-- booking: the day, counted from the first, the machine, whether the job was repaired, and at the first visit, and whether what it needed is not recorded (it was
-- repaired without a line of parts, and not for parts of nothing).
-- Reads: booked_job, job, part_need, cut_off.
SELECT
    b.job,
    b.cluster,
    date_diff('day', CAST(t.as_of - INTERVAL 12 MONTH AS DATE), j.event_on) AS day,
    b.outcome = 'repaired' AS repaired,
    b.outcome = 'repaired' AND b.visits = 1 AS first_visit,
    n.job IS NULL AND b.outcome = 'repaired' AND NOT (b.parts_are_known AND b.parts = 0) AS unrecorded,
    n.component,
    n.family_before AS family
FROM booked_job AS b
INNER JOIN job AS j ON j.job = b.job
CROSS JOIN cut_off AS t
LEFT JOIN part_need AS n ON n.job = b.job
WHERE
    b.is_recall IS NOT TRUE
    AND b.site = 'home'
    AND b.visits IS NOT NULL
    AND b.outcome <> 'no_fault_found'
    AND b.closed_on > t.as_of - INTERVAL 12 MONTH
ORDER BY j.event_on, b.job, n.component, n.family_before
