-- One row per kind of machine, age band, set of symptoms, primary fault and period (2: closed in the last twelve months, 1: in the
-- twelve before, 0: earlier): how many jobs.
-- Reads: primary_fault, job, leaf, cut_off.
SELECT
    l.category,
    l.brand,
    l.platform,
    l.model_key,
    j.age_from_years,
    j.symptoms,
    p.component,
    CASE
        WHEN j.closed_on > t.as_of - INTERVAL 12 MONTH THEN 2
        WHEN j.closed_on > t.as_of - INTERVAL 24 MONTH THEN 1
        ELSE 0
    END AS period,
    count(*) AS jobs
FROM primary_fault AS p
INNER JOIN job AS j ON j.job = p.job
INNER JOIN leaf AS l ON l.leaf = j.leaf
CROSS JOIN cut_off AS t
WHERE l.category IS NOT NULL
GROUP BY ALL
ORDER BY l.category, l.brand NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, j.age_from_years NULLS FIRST,
    j.symptoms NULLS FIRST, p.component, period
