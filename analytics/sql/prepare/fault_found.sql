-- One row per job on which a fault was found and primary fault; the component is not_named where no primary part is named.
-- Reads: job, fault.
SELECT f.job, f.component, f.step
FROM fault AS f
WHERE f.role = 'primary'
UNION ALL
SELECT j.job, 'not_named' AS component, 1 AS step
FROM job AS j
LEFT JOIN (SELECT DISTINCT job, TRUE AS is_named FROM fault WHERE role = 'primary') AS n ON n.job = j.job
LEFT JOIN (SELECT DISTINCT job, TRUE AS has_faults FROM fault) AS d ON d.job = j.job
WHERE n.job IS NULL AND (d.job IS NOT NULL OR j.outcome IN ('repaired', 'repairable', 'condemned', 'declined'))
