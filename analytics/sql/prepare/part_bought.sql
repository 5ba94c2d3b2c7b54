-- One row per part bought with a price in the money of account: what one piece cost, what all pieces of the order line cost, and the price of the machine new at that time (the job's
-- own; else the catalogue's, which is today's, for parts of the last three years). Logarithms in millionths, so that sums are exact.
-- Reads: job_part, job, leaf, catalogue, cut_off.
WITH priced AS (
    SELECT
        p.leaf,
        p.cluster,
        p.component,
        p.part_source,
        p.unit_cost,
        p.unit_cost * CASE WHEN p.quantity > 0 THEN p.quantity ELSE 1 END AS line_cost,
        CASE
            WHEN j.price_new_recorded > 0 THEN j.price_new_recorded
            WHEN c.price_new > 0 AND date_diff('day', j.closed_on, t.as_of) <= 1096 THEN c.price_new
        END AS price_new
    FROM job_part AS p
    INNER JOIN job AS j ON j.job = p.job
    INNER JOIN leaf AS l ON l.leaf = p.leaf
    CROSS JOIN cut_off AS t
    LEFT JOIN catalogue AS c ON c.model_key = l.model_key
    WHERE p.unit_cost > 0 AND p.component IS NOT NULL AND p.part_source IS NOT NULL
)
SELECT
    leaf,
    cluster,
    component,
    part_source,
    unit_cost,
    price_new,
    unit_cost / price_new AS to_price_new,
    line_cost,
    CAST(round(ln(unit_cost) * 1000000) AS BIGINT) AS log_unit_millionths,
    CAST(round(ln(line_cost) * 1000000) AS BIGINT) AS log_line_millionths
FROM priced
