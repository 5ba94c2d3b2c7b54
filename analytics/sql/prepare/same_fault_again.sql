-- One row per repaired job and primary component that was the primary fault again on the day of the machine's return.
-- Reads: returned_job, repaired_job, job, fault.
SELECT DISTINCT r.job, f.component
FROM returned_job AS n
INNER JOIN repaired_job AS r ON r.job = n.job
INNER JOIN job AS b
    ON b.machine = r.machine
    AND b.event_on = n.returned_on
    AND (b.event_on > r.event_on OR b.job > r.job)
INNER JOIN fault AS f ON f.job = r.job AND f.role = 'primary'
INNER JOIN fault AS g ON g.job = b.job AND g.role = 'primary' AND g.component = f.component
