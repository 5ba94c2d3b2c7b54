-- One row per machine: the day its age counts from, on one clock, and what that day rests on
-- (put in service by the roster, else made, else bought, else 1 July of the year made, else stated age).
-- Machines that no identifier tells apart have one row a job, under the negated job number.
-- Reads: dated_job, roster.
WITH evidence AS (
    SELECT
        coalesce(machine, -job) AS unit,
        made_on,
        bought_on,
        made_year,
        event_on - CAST(ceil(age_years_stated * 365.25) AS INTEGER) AS stated_start
    FROM dated_job
    UNION ALL
    SELECT machine AS unit, NULL, NULL, NULL, NULL FROM roster
),
gathered AS (
    SELECT
        unit,
        min(made_on) AS made_on,
        min(bought_on) AS bought_on,
        min(made_year) AS made_year,
        min(stated_start) AS stated_start
    FROM evidence
    GROUP BY unit
)
SELECT
    g.unit,
    coalesce(r.in_service_on, g.made_on, g.bought_on, make_date(g.made_year, 7, 1), CAST(g.stated_start AS DATE)) AS starts_on,
    CASE
        WHEN r.in_service_on IS NOT NULL THEN 'in_service'
        WHEN g.made_on IS NOT NULL THEN 'made'
        WHEN g.bought_on IS NOT NULL THEN 'bought'
        WHEN g.made_year IS NOT NULL THEN 'made_year'
        WHEN g.stated_start IS NOT NULL THEN 'stated'
        ELSE 'unknown'
    END AS age_basis
FROM gathered AS g
LEFT JOIN roster AS r ON r.machine = g.unit
