-- One row per repaired job on a known machine: until when it is followed, and whether the machine is then out of use. Roster machines are followed to the
-- end of the stay in which they were repaired; those outside the roster, or repaired outside their stays, to the end of their source's records.
-- Reads: job, observation, competing_end, source_span.
WITH repaired AS (
    SELECT job, source, leaf, machine, event_on, closed_on FROM job WHERE outcome = 'repaired' AND machine IS NOT NULL
),
stay AS (
    SELECT r.job, o.to_on, o.left_reason, row_number() OVER (PARTITION BY r.job ORDER BY o.from_on DESC) AS position
    FROM repaired AS r
    INNER JOIN observation AS o ON o.machine = r.machine AND o.from_on <= r.closed_on AND o.to_on >= r.closed_on
)
SELECT
    r.job,
    r.leaf,
    r.machine,
    r.event_on,
    r.closed_on,
    s.job IS NOT NULL AS on_roster,
    coalesce(s.to_on, p.to_on) AS followed_to,
    c.left_reason IS NOT NULL AS ended
FROM repaired AS r
INNER JOIN source_span AS p ON p.source = r.source
LEFT JOIN stay AS s ON s.job = r.job AND s.position = 1
LEFT JOIN competing_end AS c ON c.left_reason = s.left_reason
