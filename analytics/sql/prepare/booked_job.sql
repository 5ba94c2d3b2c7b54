-- One row per booked job in the store's currency, amounts in hundredths: what was charged, what parts, labour (at the business's own hourly
-- cost) and travel cost it, and whether it is a recall: the same primary fault within the settings' days after a repair of the machine.
-- Where it is not known that the machine came to the workshop, its visits count as journeys. A job that was not repaired and names no parts
-- used none; a repaired one whose parts are unknown stays so. A machine is named by its first job.
-- Reads: job, primary_fault, same_fault_again, followed_repair, job_parts_cost, money_of_account, business.
WITH recall AS (
    SELECT DISTINCT a.again AS job
    FROM same_fault_again AS a
    INNER JOIN followed_repair AS r ON r.job = a.job AND r.component = a.component
    CROSS JOIN business AS s
    WHERE r.followed_days <= s.recall_days
)
SELECT
    j.job,
    j.leaf,
    min(j.job) OVER (PARTITION BY j.cluster) AS cluster,
    j.category,
    p.component,
    j.outcome,
    j.site,
    j.visits,
    j.closed_on,
    CAST(round(j.charged * 100) AS BIGINT) AS charged,
    CAST(round(coalesce(j.parts_cost, f.parts_cost, CASE WHEN j.outcome <> 'repaired' THEN 0 END) * 100) AS BIGINT) AS parts,
    CAST(round(j.labour_minutes / 60 * s.labour_per_hour * 100) AS BIGINT) AS labour,
    CASE WHEN j.site = 'workshop' THEN 0 ELSE coalesce(j.visits, 1) * CAST(round(s.travel_per_visit * 100) AS BIGINT) END AS travel,
    r.job IS NOT NULL AS is_recall
FROM job AS j
INNER JOIN money_of_account AS m ON coalesce(j.currency, m.currency) = m.currency
CROSS JOIN business AS s
LEFT JOIN primary_fault AS p ON p.job = j.job
LEFT JOIN job_parts_cost AS f ON f.job = j.job
LEFT JOIN recall AS r ON r.job = j.job
