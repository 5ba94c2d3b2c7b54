-- One row per leaf and age band: exposure in quarter days (1,461 a year) of the machines whose age is known, its squares summed over machines,
-- and machines that contribute.
-- Reads: observation, age_band, machine_exposure.
WITH several AS (
    SELECT machine FROM observation GROUP BY machine HAVING count(*) > 1
),
per_machine AS (
    SELECT
        o.leaf,
        b.age_from_years,
        least(o.to_age_days * 4, CAST(round(coalesce(b.age_to_years * 1461, o.to_age_days * 4)) AS BIGINT))
        - greatest(o.from_age_days * 4, CAST(round(b.age_from_years * 1461) AS BIGINT)) AS quarter_days
    FROM observation AS o
    LEFT JOIN several AS s ON s.machine = o.machine
    INNER JOIN age_band AS b
        ON o.to_age_years > b.age_from_years
        AND (b.age_to_years IS NULL OR o.from_age_years < b.age_to_years)
    WHERE s.machine IS NULL
    UNION ALL
    SELECT m.leaf, m.age_from_years, m.quarter_days
    FROM machine_exposure AS m
    INNER JOIN several AS s ON s.machine = m.machine
    WHERE m.age_from_years IS NOT NULL
)
SELECT
    leaf,
    age_from_years,
    CAST(sum(quarter_days) AS BIGINT) AS quarter_days,
    sum(CAST(quarter_days AS HUGEINT) * quarter_days) AS quarter_days_squared,
    count(*) AS machines
FROM per_machine
GROUP BY leaf, age_from_years
