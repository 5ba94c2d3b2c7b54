-- One row per kind of machine, age band, complaint (symptoms and words, as far as they were known before the machine was opened), origin of
-- the symptoms, primary fault and period (2: closed in the last twelve months, 1: in the twelve before, 0: earlier): how many jobs.
-- A fault whose part is not named tells nothing of the odds of parts.
-- Reads: primary_fault, job, leaf, cut_off.
SELECT
    l.category,
    l.brand,
    l.platform,
    l.model_key,
    j.age_from_years,
    CASE WHEN j.symptoms_origin = 'complaint' THEN j.symptoms END AS symptoms,
    j.complaint_words,
    j.symptoms_origin,
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
WHERE l.category IS NOT NULL AND p.component <> 'not_named'
GROUP BY ALL
ORDER BY l.category, l.brand NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, j.age_from_years NULLS FIRST,
    symptoms NULLS FIRST, j.complaint_words NULLS FIRST, j.symptoms_origin NULLS FIRST, p.component, period
