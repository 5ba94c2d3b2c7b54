-- One row per kind of machine, age, complaint (symptoms and words, as far as they were known before the machine was opened) and whole amount of money: repairs of the last twelve months, but for those too recent for a recall to have come
-- back, that cost the business so much: parts, labour at its own hourly cost, travel, and what their recalls cost when they came. Recalls themselves are no
-- repairs of their own; a repair of which any of that is not recorded is left out.
-- Reads: booked_job, job, leaf, business, cut_off.
WITH recall AS (
    SELECT
        b.recall_of,
        sum(b.parts + b.labour + b.travel - CASE WHEN s.returns_are_free THEN 0 ELSE coalesce(b.charged, 0) END) AS cost,
        min(CASE WHEN b.parts_are_known AND b.labour IS NOT NULL THEN 1 ELSE 0 END) AS is_known
    FROM booked_job AS b
    CROSS JOIN business AS s
    WHERE b.is_recall
    GROUP BY b.recall_of
)
SELECT
    l.category,
    l.brand,
    l.platform,
    l.model_key,
    j.age_years,
    CASE WHEN j.symptoms_origin = 'complaint' THEN j.symptoms END AS symptoms,
    j.complaint_words,
    CAST(round((b.parts + b.labour + b.travel + coalesce(r.cost, 0)) / 100) AS BIGINT) AS cost,
    count(*) AS jobs
FROM booked_job AS b
INNER JOIN job AS j ON j.job = b.job
INNER JOIN leaf AS l ON l.leaf = b.leaf
CROSS JOIN business AS s
CROSS JOIN cut_off AS t
LEFT JOIN recall AS r ON r.recall_of = b.job
WHERE NOT b.is_recall
    AND b.outcome = 'repaired'
    AND b.parts_are_known
    AND b.labour IS NOT NULL
    AND coalesce(r.is_known, 1) = 1
    AND l.category IS NOT NULL
    AND b.closed_on > CAST(t.as_of - INTERVAL 12 MONTH AS DATE)
    AND date_diff('day', b.closed_on, t.as_of) >= s.recall_days
GROUP BY ALL
ORDER BY l.category, l.brand NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, j.age_years NULLS FIRST, symptoms NULLS FIRST,
    j.complaint_words NULLS FIRST, cost
