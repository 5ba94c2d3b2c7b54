-- One row per leaf, whether watched from new, and age in days: roster machines of known age that come to be watched, and that stop being watched, at that age
-- (ended: taken out of use, which competes with failing; otherwise only no longer seen).
-- Reads: observation, competing_end.
WITH edge AS (
    SELECT leaf, from_new, from_age_days AS age_days, 1 AS entered, 0 AS left_observation, 0 AS ended
    FROM observation
    WHERE from_age_days IS NOT NULL
    UNION ALL
    SELECT o.leaf, o.from_new, o.to_age_days, 0, 1, CASE WHEN c.left_reason IS NOT NULL THEN 1 ELSE 0 END
    FROM observation AS o
    LEFT JOIN competing_end AS c ON c.left_reason = o.left_reason
    WHERE o.to_age_days IS NOT NULL
)
SELECT
    leaf,
    from_new,
    CAST(age_days AS DOUBLE) AS age_days,
    CAST(sum(entered) AS BIGINT) AS entered,
    CAST(sum(left_observation) AS BIGINT) AS left_observation,
    CAST(sum(ended) AS BIGINT) AS ended
FROM edge
GROUP BY leaf, from_new, age_days
ORDER BY leaf, from_new, age_days
