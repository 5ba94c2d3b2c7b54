-- One row per repaired job on a known machine and primary component (null: the job as a whole): whether its part is named, how long it was followed, and
-- what ended that: the machine came back with the same primary fault, with another, with one of which nobody can say (not_known), with none (no_fault), it was
-- taken out of use, or watching ended (censored).
-- Reads: repaired_job, returned_job, same_fault_again, return_booking, fault, job_part.
WITH replaced AS (
    SELECT DISTINCT r.job, p.component, p.part_source
    FROM job_part AS p
    INNER JOIN repaired_job AS r ON r.job = p.job
    WHERE NOT p.unavailable
),
jobs_with_parts AS (
    SELECT DISTINCT job FROM replaced
),
consequence AS (
    SELECT f.job, max(CASE WHEN p.component IS NOT NULL THEN 1 ELSE 0 END) AS replaced
    FROM fault AS f
    INNER JOIN jobs_with_parts AS w ON w.job = f.job
    LEFT JOIN replaced AS p ON p.job = f.job AND p.component = f.component
    WHERE f.role = 'consequential'
    GROUP BY f.job
),
source_of AS (
    SELECT job, component, CASE WHEN count(DISTINCT part_source) = 1 THEN min(part_source) END AS part_source
    FROM replaced
    GROUP BY job, component
),
by_component AS (
    SELECT
        r.job,
        f.component,
        s.part_source,
        CASE
            WHEN c.replaced = 1 AND s.job IS NOT NULL THEN 'both_replaced'
            WHEN c.replaced = 1 THEN 'consequential_only'
            WHEN c.replaced = 0 AND s.job IS NOT NULL THEN 'primary_only'
        END AS repair_scope
    FROM repaired_job AS r
    INNER JOIN fault AS f ON f.job = r.job AND f.role = 'primary'
    LEFT JOIN source_of AS s ON s.job = r.job AND s.component = f.component
    LEFT JOIN consequence AS c ON c.job = r.job
    UNION ALL
    SELECT job, NULL, NULL, NULL FROM repaired_job
),
named AS (
    SELECT DISTINCT job FROM fault WHERE role = 'primary' AND component <> 'not_named'
),
same AS (
    SELECT DISTINCT job, component FROM same_fault_again
    UNION ALL
    SELECT DISTINCT job, NULL AS component FROM same_fault_again
),
back AS (
    SELECT
        job,
        max(CASE WHEN fault_found THEN 1 ELSE 0 END) AS fault_found,
        max(CASE WHEN fault_found AND NOT named THEN 1 ELSE 0 END) AS not_known
    FROM return_booking
    GROUP BY job
)
SELECT
    r.job,
    r.leaf,
    r.machine,
    b.component,
    b.part_source,
    b.repair_scope,
    r.on_roster,
    d.job IS NOT NULL AS named,
    r.closed_on,
    CASE
        WHEN n.job IS NOT NULL THEN greatest(date_diff('day', r.closed_on, n.returned_on), 0.5)
        ELSE date_diff('day', r.closed_on, r.followed_to)
    END AS followed_days,
    CASE
        WHEN n.job IS NULL AND r.ended THEN 'machine_ended'
        WHEN n.job IS NULL THEN 'censored'
        WHEN s.job IS NOT NULL THEN 'same_fault'
        WHEN k.not_known = 1 THEN 'not_known'
        WHEN k.fault_found = 1 THEN 'other'
        ELSE 'no_fault'
    END AS ending
FROM repaired_job AS r
INNER JOIN by_component AS b ON b.job = r.job
LEFT JOIN returned_job AS n ON n.job = r.job
LEFT JOIN named AS d ON d.job = r.job
LEFT JOIN same AS s ON s.job = r.job AND s.component IS NOT DISTINCT FROM b.component
LEFT JOIN back AS k ON k.job = r.job
WHERE n.job IS NOT NULL OR r.followed_to > r.closed_on
