-- One row per booked job in the store's currency, amounts in hundredths: what was charged, what parts, labour (at the business's own hourly
-- cost) and travel cost it, and whether it is a recall: the same primary fault within the settings' days after a repair of the machine (missing where the
-- part is not named on both jobs: nobody can say).
-- Where it is not known that the machine came to the workshop, its visits count as journeys. A job that was not repaired and names no parts
-- used none. Parts of a repaired job that are not recorded are imputed: in proportion to the charge, as on jobs with the same component where they are recorded
-- (five at least, else of the category); without a charge, their mean. parts_least and charged_least read an empty amount as nothing where the mapping
-- does not say otherwise. A machine is named by its first job.
-- Reads: job, primary_fault, same_fault_again, return_booking, followed_repair, job_parts_cost, said_unknown, money_of_account, business.
WITH recall AS (
    SELECT a.again AS job, min(a.job) AS recall_of
    FROM same_fault_again AS a
    INNER JOIN followed_repair AS r ON r.job = a.job AND r.component = a.component
    CROSS JOIN business AS s
    WHERE r.followed_days <= s.recall_days
    GROUP BY a.again
),
perhaps AS (
    SELECT DISTINCT u.again AS job
    FROM return_booking AS u
    INNER JOIN followed_repair AS r ON r.job = u.job AND r.component IS NULL
    CROSS JOIN business AS s
    WHERE r.followed_days <= s.recall_days AND u.fault_found AND NOT u.named
),
priced AS (
    SELECT
        j.job,
        j.leaf,
        j.cluster,
        j.category,
        p.component,
        j.outcome,
        j.site,
        j.visits,
        j.closed_on,
        CAST(round(j.charged * 100) AS BIGINT) AS charged,
        CASE WHEN j.charged IS NULL AND coalesce(u.charged, FALSE) THEN NULL ELSE CAST(round(coalesce(j.charged, 0) * 100) AS BIGINT) END AS charged_least,
        CAST(
            round(coalesce(j.parts_cost, f.parts_cost, CASE WHEN j.outcome <> 'repaired' THEN coalesce(f.priced, 0) END) * 100) AS BIGINT
        ) AS parts_known,
        CASE WHEN NOT coalesce(u.parts_cost, FALSE) THEN CAST(round(coalesce(f.priced, 0) * 100) AS BIGINT) END AS parts_if_nothing,
        CAST(round(j.labour_minutes / 60 * s.labour_per_hour * 100) AS BIGINT) AS labour,
        CASE WHEN j.site = 'workshop' THEN 0 ELSE coalesce(j.visits, 1) * CAST(round(s.travel_per_visit * 100) AS BIGINT) END AS travel,
        CASE WHEN r.job IS NOT NULL THEN TRUE WHEN m.job IS NULL THEN FALSE END AS is_recall,
        r.recall_of
    FROM job AS j
    INNER JOIN money_of_account AS a ON coalesce(j.currency, a.currency) = a.currency
    CROSS JOIN business AS s
    LEFT JOIN primary_fault AS p ON p.job = j.job
    LEFT JOIN job_parts_cost AS f ON f.job = j.job
    LEFT JOIN said_unknown AS u ON u.job = j.job
    LEFT JOIN recall AS r ON r.job = j.job
    LEFT JOIN perhaps AS m ON m.job = j.job
),
donor AS (
    SELECT category, component, parts_known AS parts, CASE WHEN charged > 0 THEN charged END AS charged
    FROM priced
    WHERE outcome = 'repaired' AND parts_known IS NOT NULL
),
sums AS (
    SELECT
        category,
        component,
        count(*) AS jobs,
        CAST(sum(parts) AS DOUBLE) / count(*) AS mean,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN parts END) AS DOUBLE) / sum(charged) AS of_charge
    FROM donor
    GROUP BY category, component
),
category_sums AS (
    SELECT
        category,
        CAST(sum(parts) AS DOUBLE) / count(*) AS mean,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN parts END) AS DOUBLE) / sum(charged) AS of_charge
    FROM donor
    GROUP BY category
),
imputed AS (
    SELECT
        p.*,
        CAST(
            round(
                CASE
                    WHEN p.charged > 0 THEN p.charged * coalesce(d.of_charge, c.of_charge)
                    ELSE coalesce(d.mean, c.mean)
                END
            ) AS BIGINT
        ) AS parts_imputed
    FROM priced AS p
    LEFT JOIN sums AS d ON d.category = p.category AND d.component = p.component AND d.jobs >= 5
    LEFT JOIN category_sums AS c ON c.category = p.category
)
SELECT
    job,
    leaf,
    min(job) OVER (PARTITION BY cluster) AS cluster,
    category,
    component,
    outcome,
    site,
    visits,
    closed_on,
    charged,
    charged_least,
    coalesce(parts_known, parts_imputed) AS parts,
    parts_known IS NOT NULL AS parts_are_known,
    least(coalesce(parts_known, parts_if_nothing, parts_imputed), coalesce(parts_known, parts_imputed, parts_if_nothing)) AS parts_least,
    labour,
    travel,
    is_recall,
    recall_of
FROM imputed
