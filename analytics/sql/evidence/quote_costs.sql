-- One row per category, platform, model, component and whole amount of money: repairs that cost the business so much (parts, labour at its own hourly
-- cost, travel, what is set aside for a recall), in all and in the last twelve months. Parts are brought to the price level of the last year.
-- Recalls are left out.
-- Reads: booked_job, recall_provision, parts_drift, leaf, cut_off.
SELECT
    l.category,
    l.platform,
    l.model_key,
    b.component,
    CAST(
        round(
            (
                b.parts * power(d.factor_per_year, floor(date_diff('day', b.closed_on, t.as_of) / 365.25))
                + b.labour + b.travel + p.hundredths
            ) / 100
        ) AS BIGINT
    ) AS cost,
    count(*) AS jobs,
    CAST(sum(CASE WHEN b.closed_on > t.as_of - INTERVAL 12 MONTH THEN 1 ELSE 0 END) AS BIGINT) AS held_out
FROM booked_job AS b
INNER JOIN recall_provision AS p ON p.leaf = b.leaf
INNER JOIN leaf AS l ON l.leaf = b.leaf
CROSS JOIN parts_drift AS d
CROSS JOIN cut_off AS t
WHERE NOT b.is_recall AND b.outcome = 'repaired' AND b.component IS NOT NULL AND b.parts IS NOT NULL AND b.labour IS NOT NULL
GROUP BY ALL
ORDER BY l.category NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, b.component, cost
