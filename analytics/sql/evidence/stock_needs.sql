-- One row per component and part-number family needed in the three years before the cut-off less a number of months (the parameter): jobs that
-- needed it, jobs at the customer's home among them and those of these that needed nothing else, pieces a job (the most frequent number), the
-- median price of a new set in hundredths, the mean days from order to receipt of the component, how many years of records that is, and of repaired jobs with
-- that primary fault the share whose parts are recorded: with a line, or as a cost of nothing. Parts without a number are imputed from as far back only.
-- Reads: part_need, job, job_part, booked_job, cut_off.
WITH span AS (
    SELECT
        t.as_of,
        CAST(t.as_of - to_months(CAST(? AS INTEGER)) AS DATE) AS to_on
    FROM cut_off AS t
),
period AS (
    SELECT as_of, to_on, greatest(CAST(to_on - INTERVAL 36 MONTH AS DATE), (SELECT min(closed_on) FROM job)) AS from_on FROM span
),
needed AS (
    SELECT
        n.job,
        n.component,
        CASE WHEN p.to_on = p.as_of THEN n.family ELSE n.family_before END AS family,
        n.pieces,
        n.price_new,
        j.site,
        count(*) OVER (PARTITION BY n.job) AS families
    FROM part_need AS n
    INNER JOIN job AS j ON j.job = n.job
    CROSS JOIN period AS p
    WHERE j.closed_on > p.from_on AND j.closed_on <= p.to_on
),
recorded AS (
    SELECT
        b.component,
        sum(CASE WHEN n.job IS NOT NULL OR (b.parts_are_known AND b.parts = 0) THEN 1 ELSE 0 END) / CAST(count(*) AS DOUBLE) AS share
    FROM booked_job AS b
    CROSS JOIN period AS p
    LEFT JOIN (SELECT DISTINCT job FROM part_need) AS n ON n.job = b.job
    WHERE b.outcome = 'repaired' AND b.closed_on > p.from_on AND b.closed_on <= p.to_on
    GROUP BY b.component
),
waited AS (
    SELECT s.component, avg(date_diff('day', s.ordered_on, s.received_on)) AS lead_time_days
    FROM job_part AS s
    CROSS JOIN period AS p
    WHERE s.received_on >= s.ordered_on AND s.received_on <= p.to_on
    GROUP BY s.component
)
SELECT
    n.component,
    n.family,
    count(*) AS jobs,
    CAST(sum(CASE WHEN n.site = 'home' THEN 1 ELSE 0 END) AS BIGINT) AS home_jobs,
    CAST(sum(CASE WHEN n.site = 'home' AND n.families = 1 THEN 1 ELSE 0 END) AS BIGINT) AS home_jobs_alone,
    CAST(mode(n.pieces ORDER BY n.pieces) AS BIGINT) AS pieces,
    CAST(round(quantile_cont(n.price_new, 0.5)) AS BIGINT) AS price,
    max(w.lead_time_days) AS lead_time_days,
    coalesce(max(r.share), 1.0) AS recorded_share,
    max(CAST(date_diff('day', p.from_on, p.to_on) / 365.25 AS DOUBLE)) AS years
FROM needed AS n
CROSS JOIN period AS p
LEFT JOIN waited AS w ON w.component = n.component
LEFT JOIN recorded AS r ON r.component = n.component AND r.share > 0
GROUP BY n.component, n.family
ORDER BY n.component, n.family
