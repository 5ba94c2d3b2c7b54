-- One row per scope, component (null: any), part source (null: any), repair scope (null: any), whether roster machines only, and day after the
-- repair (to 366, where all later ones are gathered): repairs whose following ended that day, by return of the same fault, by a return of which nobody can
-- say, by another return, by one on which no fault was found, by the end of the machine, or otherwise.
-- Reads: followed_repair, leaf_scope.
WITH sliced AS (
    SELECT leaf, on_roster, component, CAST(NULL AS VARCHAR) AS part_source, CAST(NULL AS VARCHAR) AS repair_scope, followed_days, ending
    FROM followed_repair
    UNION ALL
    SELECT leaf, on_roster, component, part_source, NULL, followed_days, ending
    FROM followed_repair
    WHERE part_source IS NOT NULL
    UNION ALL
    SELECT leaf, on_roster, component, NULL, repair_scope, followed_days, ending
    FROM followed_repair
    WHERE repair_scope IS NOT NULL
),
counted AS (
    SELECT
        leaf,
        on_roster,
        component,
        part_source,
        repair_scope,
        CASE WHEN followed_days > 365 THEN 366 ELSE followed_days END AS day,
        count(*) AS ended,
        sum(CASE WHEN ending = 'same_fault' AND followed_days <= 365 THEN 1 ELSE 0 END) AS same_fault,
        sum(CASE WHEN ending = 'not_known' AND followed_days <= 365 THEN 1 ELSE 0 END) AS not_known,
        sum(CASE WHEN ending = 'other' AND followed_days <= 365 THEN 1 ELSE 0 END) AS other,
        sum(CASE WHEN ending = 'no_fault' AND followed_days <= 365 THEN 1 ELSE 0 END) AS no_fault,
        sum(CASE WHEN ending = 'machine_ended' AND followed_days <= 365 THEN 1 ELSE 0 END) AS machine_ended
    FROM sliced
    GROUP BY leaf, on_roster, component, part_source, repair_scope, CASE WHEN followed_days > 365 THEN 366 ELSE followed_days END
),
either AS (
    SELECT *, FALSE AS roster_only FROM counted
    UNION ALL
    SELECT *, TRUE AS roster_only FROM counted WHERE on_roster
)
SELECT
    s.scope_id,
    e.component,
    e.part_source,
    e.repair_scope,
    e.roster_only,
    CAST(e.day AS DOUBLE) AS day,
    CAST(sum(e.ended) AS BIGINT) AS ended,
    CAST(sum(e.same_fault) AS BIGINT) AS same_fault,
    CAST(sum(e.not_known) AS BIGINT) AS not_known,
    CAST(sum(e.other) AS BIGINT) AS other,
    CAST(sum(e.no_fault) AS BIGINT) AS no_fault,
    CAST(sum(e.machine_ended) AS BIGINT) AS machine_ended
FROM either AS e
INNER JOIN leaf_scope AS s ON s.leaf = e.leaf
GROUP BY s.scope_id, e.component, e.part_source, e.repair_scope, e.roster_only, e.day
ORDER BY
    s.scope_id,
    e.component NULLS FIRST,
    e.part_source NULLS FIRST,
    e.repair_scope NULLS FIRST,
    e.roster_only,
    e.day
