-- One row per job with parts records: what its parts cost, unknown unless every one of them has a price, and what those with a price cost.
-- Reads: job_part.
SELECT
    job,
    CASE WHEN count(unit_cost) = count(*) THEN CAST(sum(CAST(unit_cost * quantity AS DECIMAL(18, 4))) AS DOUBLE) END AS parts_cost,
    CAST(sum(CAST(unit_cost * quantity AS DECIMAL(18, 4))) AS DOUBLE) AS priced
FROM job_part
WHERE NOT unavailable
GROUP BY job
