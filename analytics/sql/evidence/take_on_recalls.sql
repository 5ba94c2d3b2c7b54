-- One row per leaf and day after the repair (whole jobs; later than a recall counts: gathered on the day after), with watching as it was a number of months
-- (the parameter) before the cut-off: repairs whose following ended that day, by return of the same fault, by a return of which nobody can say, by another
-- return, by a competing end (back without a fault, the machine gone), or otherwise; and those of a named part among them.
-- Reads: followed_repair, business, cut_off.
WITH known AS (
    SELECT
        r.leaf,
        r.named,
        r.ending,
        r.followed_days,
        date_diff('day', r.closed_on, CAST(t.as_of - to_months(CAST(? AS INTEGER)) AS DATE)) AS watched_days
    FROM followed_repair AS r
    CROSS JOIN cut_off AS t
    WHERE r.component IS NULL
),
seen AS (
    SELECT
        k.leaf,
        k.named,
        CASE WHEN k.followed_days <= k.watched_days THEN k.ending ELSE 'censored' END AS ending,
        least(k.followed_days, k.watched_days, s.recall_days + 1) AS day,
        s.recall_days
    FROM known AS k
    CROSS JOIN business AS s
    WHERE k.watched_days > 0
)
SELECT
    leaf,
    named,
    CAST(day AS DOUBLE) AS day,
    count(*) AS ended,
    CAST(sum(CASE WHEN ending = 'same_fault' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS same_fault,
    CAST(sum(CASE WHEN ending = 'not_known' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS not_known,
    CAST(sum(CASE WHEN ending = 'other' AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS other,
    CAST(sum(CASE WHEN ending IN ('no_fault', 'machine_ended') AND day <= recall_days THEN 1 ELSE 0 END) AS BIGINT) AS competing
FROM seen
GROUP BY leaf, named, day
ORDER BY leaf, named, day
