-- One row per category, platform, model, component (null: no fault known) and whether the job ended repaired: booked jobs closed a number of months (the parameter)
-- before the cut-off or earlier, without recalls, and what those cost the business whose costs are known, in hundredths.
-- Reads: booked_job, leaf, cut_off.
SELECT
    l.category,
    l.platform,
    l.model_key,
    nullif(b.component, 'not_named') AS component,
    b.outcome = 'repaired' AS repaired,
    count(*) AS jobs,
    CAST(sum(CASE WHEN b.parts_are_known AND b.labour IS NOT NULL THEN 1 ELSE 0 END) AS BIGINT) AS costed,
    CAST(coalesce(sum(CASE WHEN b.parts_are_known THEN b.labour + b.parts + b.travel END), 0) AS BIGINT) AS cost
FROM booked_job AS b
INNER JOIN leaf AS l ON l.leaf = b.leaf
CROSS JOIN cut_off AS t
WHERE b.is_recall IS NOT TRUE AND b.closed_on <= CAST(t.as_of - to_months(CAST(? AS INTEGER)) AS DATE)
GROUP BY l.category, l.platform, l.model_key, nullif(b.component, 'not_named'), b.outcome = 'repaired'
ORDER BY l.category NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, component NULLS FIRST, repaired
