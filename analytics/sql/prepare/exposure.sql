-- One row per leaf and age band: machine-years observed and machines that contribute.
-- Reads: observation, age_band.
SELECT
    o.leaf,
    b.age_from_years,
    sum(least(o.to_age_years, coalesce(b.age_to_years, o.to_age_years)) - greatest(o.from_age_years, b.age_from_years)) AS machine_years,
    count(*) AS machines
FROM observation AS o
INNER JOIN age_band AS b
    ON o.to_age_years > b.age_from_years
    AND (b.age_to_years IS NULL OR o.from_age_years < b.age_to_years)
GROUP BY o.leaf, b.age_from_years
