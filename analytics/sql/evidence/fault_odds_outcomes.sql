-- One row per category, platform, primary fault, age band and reason for a write-off (missing where the machine was not condemned): jobs.
-- Reads: primary_fault, job, leaf.
SELECT
    l.category,
    l.platform,
    p.component,
    j.age_from_years,
    CASE WHEN j.outcome = 'condemned' THEN coalesce(j.not_repaired_reason, 'not_stated') END AS reason,
    count(*) AS jobs
FROM primary_fault AS p
INNER JOIN job AS j ON j.job = p.job
INNER JOIN leaf AS l ON l.leaf = j.leaf
WHERE l.category IS NOT NULL AND p.component <> 'not_named'
GROUP BY ALL
ORDER BY l.category, l.platform NULLS FIRST, p.component, j.age_from_years NULLS FIRST, reason NULLS FIRST
