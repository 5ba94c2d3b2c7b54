-- One row per roster machine observed for some time: ages (years) and days at which observation begins and ends.
-- Reads: roster, machine_clock, leaf, cut_off.
WITH dated AS (
    SELECT
        r.machine,
        l.leaf,
        k.starts_on,
        greatest(r.entered_on, k.starts_on) AS from_on,
        least(coalesce(r.left_on, t.as_of), t.as_of) AS to_on,
        CASE WHEN r.left_on <= t.as_of THEN r.left_reason END AS left_reason
    FROM roster AS r
    INNER JOIN machine_clock AS k ON k.unit = r.machine
    INNER JOIN leaf AS l
        ON l.category IS NOT DISTINCT FROM r.category
        AND l.brand IS NOT DISTINCT FROM r.brand
        AND l.model_key IS NOT DISTINCT FROM r.model_key
    CROSS JOIN cut_off AS t
    WHERE r.entered_on IS NOT NULL AND k.starts_on IS NOT NULL
)
SELECT
    machine,
    leaf,
    from_on,
    to_on,
    date_diff('day', starts_on, from_on) AS from_age_days,
    date_diff('day', starts_on, to_on) AS to_age_days,
    date_diff('day', starts_on, from_on) / 365.25 AS from_age_years,
    date_diff('day', starts_on, to_on) / 365.25 AS to_age_years,
    left_reason
FROM dated
WHERE to_on > from_on
