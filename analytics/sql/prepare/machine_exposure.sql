-- One row per roster machine that failed while it was watched, or that had several stays, and age band (missing: all its time, whether its age is
-- known or not): how long it was watched, in quarter days (1,461 a year), in which bands begin and end on whole numbers, so that sums are exact in
-- any order.
-- Reads: observation, age_band, roster_job.
WITH chosen AS (
    SELECT machine FROM roster_job WHERE observed
    UNION
    SELECT machine FROM observation GROUP BY machine HAVING count(*) > 1
),
watched AS (
    SELECT o.* FROM observation AS o INNER JOIN chosen AS c ON c.machine = o.machine
)
SELECT
    o.leaf,
    o.machine,
    b.age_from_years,
    CAST(
        sum(
            least(o.to_age_days * 4, CAST(round(coalesce(b.age_to_years * 1461, o.to_age_days * 4)) AS BIGINT))
            - greatest(o.from_age_days * 4, CAST(round(b.age_from_years * 1461) AS BIGINT))
        ) AS BIGINT
    ) AS quarter_days
FROM watched AS o
INNER JOIN age_band AS b
    ON o.to_age_years > b.age_from_years
    AND (b.age_to_years IS NULL OR o.from_age_years < b.age_to_years)
GROUP BY o.leaf, o.machine, b.age_from_years
UNION ALL
SELECT leaf, machine, CAST(NULL AS DOUBLE), CAST(sum(date_diff('day', from_on, to_on) * 4) AS BIGINT)
FROM watched
GROUP BY leaf, machine
