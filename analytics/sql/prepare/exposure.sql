-- One row per leaf and age band: exposure and machines that contribute. Exposure is in quarter days (1,461 a year), in which bands begin and
-- end on whole numbers, so that sums are exact in any order.
-- Reads: observation, age_band.
SELECT
    o.leaf,
    b.age_from_years,
    CAST(
        sum(
            least(o.to_age_days * 4, CAST(round(coalesce(b.age_to_years * 1461, o.to_age_days * 4)) AS BIGINT))
            - greatest(o.from_age_days * 4, CAST(round(b.age_from_years * 1461) AS BIGINT))
        ) AS BIGINT
    ) AS quarter_days,
    count(*) AS machines
FROM observation AS o
INNER JOIN age_band AS b
    ON o.to_age_years > b.age_from_years
    AND (b.age_to_years IS NULL OR o.from_age_years < b.age_to_years)
GROUP BY o.leaf, b.age_from_years
