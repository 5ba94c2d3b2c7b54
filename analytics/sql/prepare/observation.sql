-- One row per stay of a roster machine in which it was watched for some time: the days between which, and the ages in days and years where the
-- roster knows from when its age counts. (A day that only a job tells is known of machines that failed alone: it gives no age here.)
-- from_new: watched since it was put into service, but for a month; its first fault is known to be the first.
-- Reads: stay, roster, leaf.
SELECT
    s.machine,
    l.leaf,
    s.from_on,
    s.to_on,
    date_diff('day', r.in_service_on, s.from_on) AS from_age_days,
    date_diff('day', r.in_service_on, s.to_on) AS to_age_days,
    date_diff('day', r.in_service_on, s.from_on) / 365.25 AS from_age_years,
    date_diff('day', r.in_service_on, s.to_on) / 365.25 AS to_age_years,
    s.left_reason,
    coalesce(date_diff('day', r.in_service_on, s.from_on) <= 31, FALSE) AS from_new
FROM stay AS s
INNER JOIN roster AS r ON r.machine = s.machine
INNER JOIN leaf AS l
    ON l.category IS NOT DISTINCT FROM r.category
    AND l.brand IS NOT DISTINCT FROM r.brand
    AND l.model_key IS NOT DISTINCT FROM r.model_key
