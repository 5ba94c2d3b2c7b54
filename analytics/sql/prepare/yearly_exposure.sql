-- One row per leaf, age band and year before the cut-off (0: the last twelve months), for whole years of records, ten at most: exposure in
-- quarter days, of which a year of 365.25 days has 1,461.
-- Reads: observation, age_band, cut_off, job.
WITH year AS (
    SELECT n.years_back
    FROM (VALUES (0), (1), (2), (3), (4), (5), (6), (7), (8), (9)) AS n (years_back)
    CROSS JOIN cut_off AS t
    -- A year that lacks its first fortnight counts as whole.
    WHERE (n.years_back + 1) * 365.25 <= date_diff('day', (SELECT min(closed_on) FROM job), t.as_of) + 14
),
aged AS (
    SELECT
        o.leaf,
        o.from_age_days * 4 AS from_age,
        o.to_age_days * 4 AS to_age,
        (o.to_age_days + date_diff('day', o.to_on, t.as_of)) * 4 AS age_at_cut_off
    FROM observation AS o
    CROSS JOIN cut_off AS t
)
SELECT
    a.leaf,
    y.years_back,
    b.age_from_years,
    CAST(
        sum(
            least(a.to_age, a.age_at_cut_off - 1461 * y.years_back, coalesce(CAST(round(b.age_to_years * 1461) AS BIGINT), a.to_age))
            - greatest(a.from_age, a.age_at_cut_off - 1461 * (y.years_back + 1), CAST(round(b.age_from_years * 1461) AS BIGINT))
        ) AS BIGINT
    ) AS quarter_days
FROM aged AS a
INNER JOIN year AS y
    ON a.age_at_cut_off - 1461 * y.years_back > a.from_age
    AND a.age_at_cut_off - 1461 * (y.years_back + 1) < a.to_age
INNER JOIN age_band AS b
    ON least(a.to_age, a.age_at_cut_off - 1461 * y.years_back) > b.age_from_years * 1461
    AND (b.age_to_years IS NULL OR greatest(a.from_age, a.age_at_cut_off - 1461 * (y.years_back + 1)) < b.age_to_years * 1461)
GROUP BY a.leaf, y.years_back, b.age_from_years
