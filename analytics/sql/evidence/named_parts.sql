-- One row per scope: jobs with a fault on watched roster machines, and those of them in which a part is named.
-- Reads: roster_job, leaf_scope.
SELECT
    s.scope_id,
    count(*) AS found,
    CAST(sum(CASE WHEN j.component <> 'not_named' THEN 1 ELSE 0 END) AS BIGINT) AS named
FROM roster_job AS j
INNER JOIN leaf_scope AS s ON s.leaf = j.leaf
WHERE j.observed
GROUP BY s.scope_id
ORDER BY s.scope_id
