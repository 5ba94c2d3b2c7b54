-- One row per leaf, whether watched from new, component (null: any), cause and age in days: by how many machines that had the fault the counts of machines entering,
-- leaving and being taken out of use at that age must be corrected, and how many had it then. Such a machine leaves when it fails, not when
-- watching would have ended, and is left out of every stay after that, as it is where the fault was known before it was watched at all.
-- cause is the component of the first fault (the lowest step where several came together; not_named where no part is); an event on the day of
-- entry counts half a day later.
-- Reads: roster_fault, roster_job, observation, leaf_component, competing_end.
WITH sliced AS (
    SELECT f.machine, f.component, f.component AS cause, f.event_on, f.age_days, f.job, f.step
    FROM roster_fault AS f
    INNER JOIN leaf_component AS c ON c.leaf = f.leaf AND c.component = f.component
    UNION ALL
    SELECT machine, NULL, component, event_on, age_days, job, 1 FROM roster_job
),
ranked AS (
    SELECT
        *,
        row_number() OVER (PARTITION BY machine, component ORDER BY event_on, job, step, cause) AS position
    FROM sliced
),
first_fault AS (
    SELECT
        o.leaf,
        o.from_new,
        r.component,
        r.cause,
        CAST(o.from_age_days AS DOUBLE) AS from_age_days,
        CAST(o.to_age_days AS DOUBLE) AS to_age_days,
        CASE WHEN r.event_on >= o.from_on THEN greatest(CAST(r.age_days AS DOUBLE), o.from_age_days + 0.5) END AS first_age_days,
        CASE WHEN c.left_reason IS NOT NULL THEN 1 ELSE 0 END AS ended
    FROM ranked AS r
    INNER JOIN observation AS o ON o.machine = r.machine
    LEFT JOIN competing_end AS c ON c.left_reason = o.left_reason
    WHERE r.position = 1 AND r.event_on <= o.to_on AND o.from_age_days IS NOT NULL
),
change AS (
    SELECT leaf, from_new, component, cause, to_age_days AS age_days, 0 AS entered, -1 AS left_observation, -ended AS ended, 0 AS events
    FROM first_fault
    UNION ALL
    SELECT leaf, from_new, component, cause, first_age_days, 0, 1, 0, 1
    FROM first_fault
    WHERE first_age_days IS NOT NULL
    UNION ALL
    SELECT leaf, from_new, component, cause, from_age_days, -1, 0, 0, 0
    FROM first_fault
    WHERE first_age_days IS NULL
)
SELECT
    leaf,
    from_new,
    component,
    cause,
    age_days,
    CAST(sum(entered) AS BIGINT) AS entered,
    CAST(sum(left_observation) AS BIGINT) AS left_observation,
    CAST(sum(ended) AS BIGINT) AS ended,
    CAST(sum(events) AS BIGINT) AS events
FROM change
GROUP BY leaf, from_new, component, cause, age_days
