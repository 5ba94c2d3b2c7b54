-- One row per repaired job, primary component and booking on the day of the machine's return of which the component was the primary fault again.
-- Reads: returned_job, repaired_job, job, fault.
SELECT r.job, f.component, b.job AS again
FROM returned_job AS n
INNER JOIN repaired_job AS r ON r.job = n.job
INNER JOIN job AS b
    ON b.machine = r.machine
    AND b.event_on = n.returned_on
    AND (b.event_on > r.event_on OR b.job > r.job)
INNER JOIN fault AS f ON f.job = r.job AND f.role = 'primary'
INNER JOIN fault AS g ON g.job = b.job AND g.role = 'primary' AND g.component = f.component
