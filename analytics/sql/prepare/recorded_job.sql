-- One row per job and role that its records could show: primary where a primary fault is known, consequential where findings were written down too
-- (a job that only names the part that failed is silent about damage).
-- Reads: primary_fault, store_findings, job.
SELECT p.job, 'primary' AS role
FROM primary_fault AS p
UNION ALL
SELECT DISTINCT p.job, 'consequential' AS role
FROM store_findings AS f
INNER JOIN job AS j ON j.source = f.source AND j.job_id = f.job_id
INNER JOIN primary_fault AS p ON p.job = j.job
WHERE f.origin = 'finding' AND f.component IS NOT NULL
