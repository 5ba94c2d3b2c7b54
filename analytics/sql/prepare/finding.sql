-- One row per finding of a job, under the job's number.
-- Reads: store_findings, job.
SELECT j.job, f.component, f.role, f.step, f.origin
FROM store_findings AS f
INNER JOIN job AS j ON j.source = f.source AND j.job_id = f.job_id
