-- One row per leaf, component (null: any), cause, and ages: roster machines with a primary fault of the component before the end of observation.
-- first_age_days is null where the first one came before observation began: such a machine is left out. An event on the day of entry counts half a day later.
-- cause is the component of the first fault (the lowest step where several came together).
-- Reads: roster_fault, observation, leaf_component, competing_end.
WITH applicable AS (
    SELECT f.job, f.machine, f.component, f.step, f.event_on, f.age_days
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
),
sliced AS (
    SELECT machine, component, component AS cause, event_on, age_days, job, step FROM applicable
    UNION ALL
    SELECT machine, NULL, component, event_on, age_days, job, step FROM applicable
),
ranked AS (
    SELECT
        *,
        row_number() OVER (PARTITION BY machine, component ORDER BY event_on, job, step, cause) AS position
    FROM sliced
)
SELECT
    o.leaf,
    r.component,
    r.cause,
    CAST(o.from_age_days AS DOUBLE) AS from_age_days,
    CAST(o.to_age_days AS DOUBLE) AS to_age_days,
    CASE
        WHEN r.event_on < o.from_on THEN NULL
        WHEN r.age_days <= o.from_age_days THEN o.from_age_days + 0.5
        ELSE CAST(r.age_days AS DOUBLE)
    END AS first_age_days,
    c.left_reason IS NOT NULL AS ended,
    count(*) AS machines
FROM ranked AS r
INNER JOIN observation AS o ON o.machine = r.machine
LEFT JOIN competing_end AS c ON c.left_reason = o.left_reason
WHERE r.position = 1 AND r.event_on <= o.to_on
GROUP BY ALL
ORDER BY ALL
