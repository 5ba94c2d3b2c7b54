-- One row per repaired job whose machine came back while it was followed: the machine's next booking on or after the day of closing.
-- Reads: repaired_job, job.
SELECT r.job, min(b.event_on) AS returned_on
FROM repaired_job AS r
INNER JOIN job AS b
    ON b.machine = r.machine
    AND b.event_on >= r.closed_on
    AND b.event_on <= r.followed_to
    AND (b.event_on > r.event_on OR b.job > r.job)
GROUP BY r.job
