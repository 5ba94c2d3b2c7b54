-- One row per scope (brands left out) and number of days between order and receipt of a part: orders.
-- Reads: job_part, booked_job, leaf_scope, scope.
SELECT
    s.scope_id,
    date_diff('day', p.ordered_on, p.received_on) AS days,
    count(*) AS orders
FROM job_part AS p
INNER JOIN booked_job AS b ON b.job = p.job
INNER JOIN leaf_scope AS s ON s.leaf = b.leaf
INNER JOIN scope AS n ON n.scope_id = s.scope_id AND n.scope_level <> 'brand'
WHERE p.received_on >= p.ordered_on
GROUP BY s.scope_id, date_diff('day', p.ordered_on, p.received_on)
ORDER BY s.scope_id, days
