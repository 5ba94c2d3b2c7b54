-- One row per job with parts records: what its parts cost, unknown unless every one of them has a price.
-- Reads: store_parts.
SELECT
    source,
    job_id,
    CASE WHEN count(unit_cost) = count(*) THEN CAST(sum(CAST(unit_cost * coalesce(quantity, 1) AS DECIMAL(18, 4))) AS DOUBLE) END AS parts_cost
FROM store_parts
WHERE coalesce(unavailable, FALSE) = FALSE
GROUP BY source, job_id
