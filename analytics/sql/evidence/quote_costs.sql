-- One row per category, platform, model, component and whole amount of money: repairs that cost the business so much (parts, labour at its own hourly
-- cost, travel, what is set aside for a recall), in all and in the last twelve months. Recalls are left out.
-- Reads: booked_job, recall_provision, leaf, cut_off.
SELECT
    l.category,
    l.platform,
    l.model_key,
    b.component,
    CAST(round((b.parts + b.labour + b.travel + p.hundredths) / 100) AS BIGINT) AS cost,
    count(*) AS jobs,
    CAST(sum(CASE WHEN b.closed_on > t.as_of - INTERVAL 12 MONTH THEN 1 ELSE 0 END) AS BIGINT) AS held_out
FROM booked_job AS b
INNER JOIN recall_provision AS p ON p.leaf = b.leaf
INNER JOIN leaf AS l ON l.leaf = b.leaf
CROSS JOIN cut_off AS t
WHERE NOT b.is_recall AND b.outcome = 'repaired' AND b.component IS NOT NULL AND b.parts IS NOT NULL AND b.labour IS NOT NULL
GROUP BY ALL
ORDER BY l.category NULLS FIRST, l.platform NULLS FIRST, l.model_key NULLS FIRST, b.component, cost
