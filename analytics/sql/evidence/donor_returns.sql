-- One row per component and day after a repair with a used part of it (later than a recall counts: gathered on the day after): repairs whose following ended that
-- day, by return of the same fault, by a return of which nobody can say, by another return, by a competing end (back without a fault, the machine gone), or otherwise.
-- Reads: followed_repair, business.
WITH seen AS (
    SELECT r.component, r.ending, r.followed_days, s.recall_days, least(r.followed_days, s.recall_days + 1) AS day
    FROM followed_repair AS r
    CROSS JOIN business AS s
    WHERE r.part_source = 'used' AND r.component IS NOT NULL
)
SELECT
    component,
    CAST(day AS DOUBLE) AS day,
    count(*) AS ended,
    CAST(sum(CASE WHEN ending = 'same_fault' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS same_fault,
    CAST(sum(CASE WHEN ending = 'not_known' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS not_known,
    CAST(sum(CASE WHEN ending = 'other' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS other,
    CAST(sum(CASE WHEN ending IN ('no_fault', 'machine_ended') AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS competing
FROM seen
GROUP BY component, day
ORDER BY component, day
