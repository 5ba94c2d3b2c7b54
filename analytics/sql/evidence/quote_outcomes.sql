-- One row per category, platform, model, component (null: no fault known) and whether the job ended repaired: booked jobs without recalls, and
-- what those cost the business whose costs are known, in hundredths.
-- Reads: booked_job, leaf.
SELECT
    l.category,
    l.platform,
    l.model_key,
    b.component,
    b.outcome = 'repaired' AS repaired,
    count(*) AS jobs,
    count(b.labour + b.parts) AS costed,
    CAST(coalesce(sum(b.labour + b.parts + b.travel), 0) AS BIGINT) AS cost
FROM booked_job AS b
INNER JOIN leaf AS l ON l.leaf = b.leaf
WHERE NOT b.is_recall
GROUP BY ALL
ORDER BY l.category NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, b.component NULLS FIRST, repaired
