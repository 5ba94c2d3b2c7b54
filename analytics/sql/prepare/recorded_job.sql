-- One row per job and role that its records could show: primary where a primary fault is known, consequential where findings were written down too
-- (a job that only names the part that failed is silent about damage).
-- Reads: primary_fault, finding.
SELECT p.job, 'primary' AS role
FROM primary_fault AS p
UNION ALL
SELECT DISTINCT p.job, 'consequential' AS role
FROM finding AS f
INNER JOIN primary_fault AS p ON p.job = f.job
WHERE f.origin = 'finding' AND f.component IS NOT NULL
