-- One row per platform and component that has been fitted used in its category: in the last three years jobs on the platform that took a used one
-- or could not get a new one, and machines of the platform condemned; over all records condemned machines of the platform with a known fault,
-- those in which this component was found faulty; used parts of the component sold in the category with their prices in hundredths.
-- Reads: part_need, job_part, job, leaf, fault, primary_fault, cut_off.
WITH recent AS (
    SELECT least(3.0, greatest(date_diff('day', (SELECT min(closed_on) FROM job), t.as_of) / 365.25, 1 / 365.25)) AS years, t.as_of
    FROM cut_off AS t
),
sold AS (
    SELECT
        p.category,
        p.component,
        count(*) AS sold,
        CAST(sum(CAST(round(p.unit_cost * 100) AS BIGINT)) AS DOUBLE) AS price,
        CAST(sum(CAST(round(p.unit_cost * 100) AS BIGINT) * CAST(round(p.unit_cost * 100) AS BIGINT)) AS DOUBLE) AS price_squared
    FROM job_part AS p
    WHERE p.part_source = 'used' AND p.unit_cost > 0 AND p.component IS NOT NULL
    GROUP BY p.category, p.component
),
platform AS (
    SELECT DISTINCT platform, category FROM leaf WHERE platform IS NOT NULL
),
wanted AS (
    SELECT l.platform, n.component, count(*) AS jobs
    FROM part_need AS n
    INNER JOIN job AS j ON j.job = n.job
    INNER JOIN leaf AS l ON l.leaf = n.leaf
    CROSS JOIN recent AS r
    WHERE (n.used_fitted = 1 OR n.unavailable = 1) AND j.closed_on > r.as_of - INTERVAL 36 MONTH
    GROUP BY l.platform, n.component
),
condemned AS (
    SELECT
        l.platform,
        CAST(sum(CASE WHEN j.closed_on > r.as_of - INTERVAL 36 MONTH THEN 1 ELSE 0 END) AS BIGINT) AS donors,
        CAST(sum(CASE WHEN p.component <> 'not_named' THEN 1 ELSE 0 END) AS BIGINT) AS inspected
    FROM job AS j
    INNER JOIN leaf AS l ON l.leaf = j.leaf
    LEFT JOIN primary_fault AS p ON p.job = j.job
    CROSS JOIN recent AS r
    WHERE j.outcome = 'condemned'
    GROUP BY l.platform
),
faulty AS (
    SELECT l.platform, f.component, count(DISTINCT f.job) AS faulty
    FROM fault AS f
    INNER JOIN job AS j ON j.job = f.job
    INNER JOIN primary_fault AS p ON p.job = f.job
    INNER JOIN leaf AS l ON l.leaf = j.leaf
    WHERE j.outcome = 'condemned'
    GROUP BY l.platform, f.component
)
SELECT
    q.platform,
    s.component,
    r.years,
    CAST(coalesce(w.jobs, 0) AS BIGINT) AS wanted,
    CAST(coalesce(c.donors, 0) AS BIGINT) AS donors,
    CAST(coalesce(c.inspected, 0) AS BIGINT) AS inspected,
    CAST(coalesce(f.faulty, 0) AS BIGINT) AS faulty,
    s.sold,
    s.price,
    s.price_squared
FROM platform AS q
INNER JOIN sold AS s ON s.category = q.category
CROSS JOIN recent AS r
LEFT JOIN wanted AS w ON w.platform = q.platform AND w.component = s.component
LEFT JOIN condemned AS c ON c.platform = q.platform
LEFT JOIN faulty AS f ON f.platform = q.platform AND f.component = s.component
ORDER BY q.platform, s.component
