-- One row per job and component for which the job needed a part: the part-number family, pieces, and the price of a new set where known.
-- A family is a part number without separators and without a single letter after its last digit (a variant of the same part). A part without a
-- number belongs to the family that its model and component mostly had; where there is none, to the component as such. family_before imputes from jobs closed
-- a year before the cut-off or earlier only.
-- Reads: job_part, job, cut_off.
WITH line AS (
    SELECT
        p.job,
        p.leaf,
        p.component,
        regexp_replace(upper(regexp_replace(p.part_number, '[^A-Za-z0-9]', '', 'g')), '([0-9])[A-Z]$', '\1') AS family,
        p.quantity,
        CASE WHEN p.part_source IN ('new-original', 'new-pattern') THEN p.unit_cost END AS unit_cost,
        p.part_source,
        p.unavailable,
        j.closed_on <= CAST(t.as_of - INTERVAL 12 MONTH AS DATE) AS is_before
    FROM job_part AS p
    INNER JOIN job AS j ON j.job = p.job
    CROSS JOIN cut_off AS t
    WHERE p.component IS NOT NULL
),
numbered AS (
    SELECT leaf, component, family, count(*) AS lines, sum(CASE WHEN is_before THEN 1 ELSE 0 END) AS lines_before
    FROM line
    WHERE family <> ''
    GROUP BY leaf, component, family
),
usual AS (
    SELECT leaf, component, family, row_number() OVER (PARTITION BY leaf, component ORDER BY lines DESC, family) AS position
    FROM numbered
),
usual_before AS (
    SELECT leaf, component, family, row_number() OVER (PARTITION BY leaf, component ORDER BY lines_before DESC, family) AS position
    FROM numbered
    WHERE lines_before > 0
)
SELECT
    l.job,
    l.leaf,
    l.component,
    coalesce(min(nullif(l.family, '')), min(u.family), l.component) AS family,
    coalesce(min(nullif(l.family, '')), min(b.family), l.component) AS family_before,
    greatest(CAST(ceil(max(l.quantity)) AS BIGINT), 1) AS pieces,
    CAST(round(max(l.unit_cost * l.quantity) * 100) AS BIGINT) AS price_new,
    max(CASE WHEN l.part_source = 'used' AND NOT l.unavailable THEN 1 ELSE 0 END) AS used_fitted,
    max(CASE WHEN l.unavailable THEN 1 ELSE 0 END) AS unavailable
FROM line AS l
LEFT JOIN usual AS u ON u.leaf = l.leaf AND u.component = l.component AND u.position = 1
LEFT JOIN usual_before AS b ON b.leaf = l.leaf AND b.component = l.component AND b.position = 1
GROUP BY l.job, l.leaf, l.component
