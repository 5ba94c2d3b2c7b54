-- One row per scope (brands left out) and measure: sums over machines of jobs (or part lines) and of the measured amounts. Money is in
-- hundredths; loss, write_off, first_visit_fix, part_unavailable and used_part are 1 or 0 per job or line. Recalls are not booked jobs: their
-- cost stands with the repairs that they come from.
-- Reads: booked_job, recall_provision, job_part, leaf_scope, scope.
WITH priced AS (
    SELECT
        b.leaf,
        b.cluster,
        b.charged,
        b.parts,
        b.labour,
        b.travel,
        CASE WHEN b.outcome = 'repaired' THEN p.hundredths ELSE 0 END AS recall
    FROM booked_job AS b
    INNER JOIN recall_provision AS p ON p.leaf = b.leaf
    WHERE NOT b.is_recall AND b.charged IS NOT NULL AND b.parts IS NOT NULL AND b.labour IS NOT NULL
),
-- All sums of a machine in one row, because machines are many.
machine AS (
    SELECT
        leaf,
        cluster,
        count(*) AS jobs,
        CAST(sum(charged) AS BIGINT) AS charged,
        CAST(sum(parts) AS BIGINT) AS parts,
        CAST(sum(labour) AS BIGINT) AS labour,
        CAST(sum(travel) AS BIGINT) AS travel,
        CAST(sum(recall) AS BIGINT) AS recall,
        CAST(sum(CASE WHEN charged - parts - labour - travel - recall < 0 THEN 1 ELSE 0 END) AS BIGINT) AS losses
    FROM priced
    GROUP BY leaf, cluster
),
per_machine AS (
    SELECT p.leaf, m.measure, m.amount, p.jobs
    FROM machine AS p
    CROSS JOIN LATERAL (
        VALUES
            ('contribution', p.charged - p.parts - p.labour - p.travel - p.recall),
            ('charged', p.charged),
            ('parts', p.parts),
            ('labour', p.labour),
            ('travel', p.travel),
            ('recall_cost', p.recall),
            ('loss', p.losses)
    ) AS m (measure, amount)
    UNION ALL
    SELECT leaf, 'write_off', CAST(sum(CASE WHEN outcome = 'condemned' THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM booked_job
    WHERE NOT is_recall
    GROUP BY leaf, cluster
    UNION ALL
    SELECT leaf, 'first_visit_fix', CAST(sum(CASE WHEN outcome = 'repaired' AND visits = 1 THEN 1 ELSE 0 END) AS BIGINT), count(*)
    FROM booked_job
    WHERE NOT is_recall AND site = 'home' AND visits IS NOT NULL AND outcome <> 'no_fault_found'
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
