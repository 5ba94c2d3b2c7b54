-- One row per scope (brands left out) and measure: sums over machines of jobs (or part lines) and of the measured amounts. Money is in
-- hundredths; loss, parts_imputed, write_off, first_visit_fix, part_unavailable and used_part are 1 or 0 per job or line. Recalls are not booked jobs: their
-- cost stands with the repairs that they come from; a booking of which nobody can say is neither. The measures that end in _least and _most read empty
-- amounts as nothing where that lowers or raises what is left: a charge, parts.
-- Reads: booked_job, recall_provision, job_part, leaf_scope, scope.
WITH priced AS (
    SELECT
        b.leaf,
        b.cluster,
        b.charged,
        b.charged_least,
        b.parts,
        b.parts_least,
        CASE WHEN b.parts_are_known THEN 0 ELSE 1 END AS parts_imputed,
        b.labour,
        b.travel,
        CASE WHEN b.outcome = 'repaired' THEN p.hundredths ELSE 0 END AS recall
    FROM booked_job AS b
    INNER JOIN recall_provision AS p ON p.leaf = b.leaf AND p.months = 0
    WHERE NOT b.is_recall AND b.charged_least IS NOT NULL AND b.parts IS NOT NULL AND b.labour IS NOT NULL
),
-- All sums of a machine in one row, because machines are many. Jobs with a charge are the account; the others only show what an empty charge would mean.
machine AS (
    SELECT
        leaf,
        cluster,
        count(charged) AS jobs,
        count(*) AS jobs_least,
        CAST(sum(charged) AS BIGINT) AS charged,
        CAST(sum(charged_least) AS BIGINT) AS charged_least,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN parts END) AS BIGINT) AS parts,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN parts_least END) AS BIGINT) AS parts_least,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN parts_imputed END) AS BIGINT) AS parts_imputed,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN labour END) AS BIGINT) AS labour,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN travel END) AS BIGINT) AS travel,
        CAST(sum(CASE WHEN charged IS NOT NULL THEN recall END) AS BIGINT) AS recall,
        CAST(sum(CASE WHEN charged - parts - labour - travel - recall < 0 THEN 1 ELSE 0 END) AS BIGINT) AS losses,
        CAST(sum(charged_least - parts - labour - travel - recall) AS BIGINT) AS contribution_least
    FROM priced
    GROUP BY leaf, cluster
),
per_machine AS (
    SELECT p.leaf, m.measure, m.amount, m.jobs
    FROM machine AS p
    CROSS JOIN LATERAL (
        VALUES
            ('contribution', p.charged - p.parts - p.labour - p.travel - p.recall, p.jobs),
            ('contribution_least', p.contribution_least, p.jobs_least),
            ('contribution_most', p.charged - p.parts_least - p.labour - p.travel - p.recall, p.jobs),
            ('charged', p.charged, p.jobs),
            ('charged_least', p.charged_least, p.jobs_least),
            ('parts', p.parts, p.jobs),
            ('parts_least', p.parts_least, p.jobs),
            ('parts_imputed', p.parts_imputed, p.jobs),
            ('labour', p.labour, p.jobs),
            ('travel', p.travel, p.jobs),
            ('recall_cost', p.recall, p.jobs),
            ('loss', p.losses, p.jobs)
    ) AS m (measure, amount, jobs)
    WHERE m.jobs > 0
    UNION ALL
    SELECT leaf, 'write_off', CAST(sum(CASE WHEN outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM booked_job
    WHERE is_recall IS NOT TRUE
    GROUP BY leaf, cluster
    UNION ALL
    SELECT leaf, 'first_visit_fix', CAST(sum(CASE WHEN outcome = 'repaired' AND visits = 1 THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM booked_job
    WHERE is_recall IS NOT TRUE AND site = 'home' AND visits IS NOT NULL AND outcome <> 'no_fault_found'
    GROUP BY leaf, cluster
    UNION ALL
    SELECT b.leaf, 'part_unavailable', CAST(sum(CASE WHEN p.unavailable THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM job_part AS p
    INNER JOIN booked_job AS b ON b.job = p.job
    WHERE p.ordered_on IS NOT NULL OR p.unavailable
    GROUP BY b.leaf, b.cluster
    UNION ALL
    SELECT b.leaf, 'used_part', CAST(sum(CASE WHEN p.part_source = 'used' THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM job_part AS p
    INNER JOIN booked_job AS b ON b.job = p.job
    WHERE p.part_source IS NOT NULL AND NOT p.unavailable
    GROUP BY b.leaf, b.cluster
),
per_leaf AS (
    SELECT
        leaf,
        measure,
        count(*) AS machines,
        sum(jobs) AS jobs,
        sum(amount) AS amount,
        sum(CAST(amount AS HUGEINT) * amount) AS amount_squared,
        sum(CAST(amount AS HUGEINT) * jobs) AS amount_times_jobs,
        sum(jobs * jobs) AS jobs_squared
    FROM per_machine
    GROUP BY leaf, measure
)
SELECT
    s.scope_id,
    m.measure,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    CAST(sum(m.machines) AS BIGINT) AS machines,
    CAST(sum(m.amount) AS DOUBLE) AS amount,
    CAST(sum(m.amount_squared) AS DOUBLE) AS amount_squared,
    CAST(sum(m.amount_times_jobs) AS DOUBLE) AS amount_times_jobs,
    CAST(sum(m.jobs_squared) AS DOUBLE) AS jobs_squared
FROM per_leaf AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
INNER JOIN scope AS n ON n.scope_id = s.scope_id AND n.scope_level <> 'brand'
GROUP BY s.scope_id, m.measure
ORDER BY s.scope_id, m.measure
