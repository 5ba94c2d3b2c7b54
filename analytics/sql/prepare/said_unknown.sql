-- One row per job with an amount that is empty and of which the mapping says that an empty one is unknown. Other empty amounts may mean nothing.
-- Reads: store_jobs, job.
SELECT
    j.job,
    s.blank_unknown LIKE '%parts_cost%' AS parts_cost,
    s.blank_unknown LIKE '%charged%' AS charged
FROM store_jobs AS s
INNER JOIN job AS j ON j.source = s.source AND j.job_id = s.job_id
WHERE s.blank_unknown IS NOT NULL
