-- One row per job and role that its records could show: found where a fault was found, primary where a primary part is named too, consequential
-- where findings were written down as well (a job that only names the part that failed is silent about damage).
-- Reads: fault_found, primary_fault, finding.
SELECT DISTINCT job, 'found' AS role FROM fault_found
UNION ALL
SELECT p.job, 'primary' AS role
FROM primary_fault AS p
UNION ALL
SELECT DISTINCT p.job, 'consequential' AS role
FROM finding AS f
INNER JOIN primary_fault AS p ON p.job = f.job
WHERE f.origin = 'finding' AND f.component IS NOT NULL
