-- One row per line of parts of a job. Money is in the money of account: a price in another currency is unknown, and so is the price of a part that
-- could not be had. A line without a currency is in the job's.
-- Reads: store_parts, job, money_of_account.
SELECT
    j.job,
    j.leaf,
    j.cluster,
    j.category,
    p.component,
    p.part_number,
    p.part_source,
    coalesce(p.quantity, 1) AS quantity,
    CASE
        WHEN coalesce(p.currency, j.currency, m.currency) = m.currency AND NOT coalesce(p.unavailable, FALSE) THEN p.unit_cost
    END AS unit_cost,
    p.ordered_on,
    p.received_on,
    coalesce(p.unavailable, FALSE) AS unavailable
FROM store_parts AS p
INNER JOIN job AS j ON j.source = p.source AND j.job_id = p.job_id
CROSS JOIN money_of_account AS m
