-- One row per category, platform, model, component, whether the parts cost is empty and may mean nothing, and whole amount of money: repairs closed a number of
-- months (the parameter) before the cut-off or earlier that cost the business so much (parts, labour at its own hourly cost, travel, what is set aside for a
-- recall). Parts are brought to the price level of the year before that day. Recalls, bookings of which nobody can say, and faults whose part is not named are left
-- out. Where the parts cost is empty, the amount reads it as nothing; repairs of which it is unknown are left out, so that the others of the fault stand for them.
-- Reads: booked_job, recall_provision, parts_drift, leaf, cut_off.
WITH day AS (
    SELECT p.months, CAST(t.as_of - to_months(p.months) AS DATE) AS to_on
    FROM (SELECT CAST(? AS INTEGER) AS months) AS p
    CROSS JOIN cut_off AS t
)
SELECT
    l.category,
    l.platform,
    l.model_key,
    b.component,
    NOT b.parts_are_known AS is_blank,
    CAST(
        round(
            (
                b.parts_least * power(d.factor_per_year, floor(date_diff('day', b.closed_on, y.to_on) / 365.25))
                + b.labour + b.travel + p.hundredths
            ) / 100
        ) AS BIGINT
    ) AS cost,
    count(*) AS jobs
FROM booked_job AS b
CROSS JOIN day AS y
INNER JOIN recall_provision AS p ON p.leaf = b.leaf AND p.months = y.months
INNER JOIN parts_drift AS d ON d.months = y.months
INNER JOIN leaf AS l ON l.leaf = b.leaf
WHERE NOT b.is_recall AND b.outcome = 'repaired' AND b.component <> 'not_named' AND b.labour IS NOT NULL AND b.closed_on <= y.to_on
    AND (b.parts_are_known OR b.parts_least < b.parts)
GROUP BY ALL
ORDER BY l.category NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, b.component, is_blank, cost
