-- One row per leaf: exposure in quarter days (1,461 a year) of all watched machines, their age known or not, its squares summed over machines,
-- and machines.
-- Reads: observation, machine_exposure.
WITH several AS (
    SELECT machine FROM observation GROUP BY machine HAVING count(*) > 1
),
per_machine AS (
    SELECT o.leaf, date_diff('day', o.from_on, o.to_on) * 4 AS quarter_days
    FROM observation AS o
    LEFT JOIN several AS s ON s.machine = o.machine
    WHERE s.machine IS NULL
    UNION ALL
    SELECT m.leaf, m.quarter_days
    FROM machine_exposure AS m
    INNER JOIN several AS s ON s.machine = m.machine
    WHERE m.age_from_years IS NULL
)
SELECT
    leaf,
    CAST(sum(quarter_days) AS BIGINT) AS quarter_days,
    sum(CAST(quarter_days AS HUGEINT) * quarter_days) AS quarter_days_squared,
    count(*) AS machines
FROM per_machine
GROUP BY leaf
