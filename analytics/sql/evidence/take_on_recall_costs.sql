-- One row per category and kind of job (recall, repair), closed a number of months (the parameter) before the cut-off or earlier, with parts and labour known: jobs
-- and what they cost the business, in hundredths; a recall with what it earned taken off where the settings say that it earns.
-- Reads: booked_job, business, cut_off.
WITH costed AS (
    SELECT
        b.category,
        CASE WHEN b.is_recall THEN 'recall' ELSE 'repair' END AS kind,
        b.parts + b.labour + b.travel - CASE WHEN b.is_recall AND NOT s.returns_are_free THEN b.charged ELSE 0 END AS cost
    FROM booked_job AS b
    CROSS JOIN business AS s
    CROSS JOIN cut_off AS t
    WHERE b.parts_are_known
        AND b.labour IS NOT NULL
        AND (b.is_recall OR (NOT b.is_recall AND b.outcome = 'repaired'))
        AND (NOT b.is_recall OR s.returns_are_free OR b.charged IS NOT NULL)
        AND b.closed_on <= CAST(t.as_of - to_months(CAST(? AS INTEGER)) AS DATE)
)
SELECT
    category,
    kind,
    count(*) AS jobs,
    CAST(sum(cost) AS DOUBLE) AS cost,
    CAST(sum(CAST(cost AS HUGEINT) * cost) AS DOUBLE) AS cost_squared
FROM costed
GROUP BY category, kind
ORDER BY category NULLS FIRST, kind
