-- One row per scope (brands left out) and number of days since the order of a part: orders received after so many, and still open after so many (at the cut-off, or
-- when a machine was given up or handed back unmended). Orders on repaired machines without a day of receipt are left out.
-- Reads: job_part, booked_job, leaf_scope, scope, cut_off.
WITH waited AS (
    SELECT
        b.leaf,
        CASE WHEN p.received_on >= p.ordered_on AND p.received_on <= t.as_of THEN 1 ELSE 0 END AS received,
        date_diff(
            'day',
            p.ordered_on,
            CASE
                WHEN p.received_on >= p.ordered_on AND p.received_on <= t.as_of THEN p.received_on
                WHEN b.outcome IN ('condemned', 'declined', 'no_fault_found') THEN greatest(b.closed_on, p.ordered_on)
                ELSE t.as_of
            END
        ) AS days
    FROM job_part AS p
    INNER JOIN booked_job AS b ON b.job = p.job
    CROSS JOIN cut_off AS t
    WHERE p.ordered_on <= t.as_of
        AND ((p.received_on >= p.ordered_on AND p.received_on <= t.as_of) OR (NOT p.unavailable AND b.outcome <> 'repaired'))
)
SELECT
    s.scope_id,
    w.days,
    CAST(sum(w.received) AS BIGINT) AS received,
    CAST(sum(1 - w.received) AS BIGINT) AS still_open
FROM waited AS w
INNER JOIN leaf_scope AS s ON s.leaf = w.leaf
INNER JOIN scope AS n ON n.scope_id = s.scope_id AND n.scope_level <> 'brand'
GROUP BY s.scope_id, w.days
ORDER BY s.scope_id, w.days
