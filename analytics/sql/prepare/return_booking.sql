-- One row per repaired job and booking on the day of the machine's return: whether a fault was found then, and whether the part is named on both jobs, so that it
-- can be said whether the fault was the same.
-- Reads: returned_job, repaired_job, job, fault.
WITH named AS (
    SELECT DISTINCT job FROM fault WHERE role = 'primary' AND component <> 'not_named'
)
SELECT
    r.job,
    b.job AS again,
    b.outcome <> 'no_fault_found' AS fault_found,
    f.job IS NOT NULL AND g.job IS NOT NULL AS named
FROM returned_job AS n
INNER JOIN repaired_job AS r ON r.job = n.job
INNER JOIN job AS b
    ON b.machine = r.machine
    AND b.event_on = n.returned_on
    AND (b.event_on > r.event_on OR b.job > r.job)
LEFT JOIN named AS f ON f.job = r.job
LEFT JOIN named AS g ON g.job = b.job
