-- One row per category, component and origin of part: parts with a price in the store's currency, and their median price.
-- Reads: store_parts, job, leaf, money_of_account.
SELECT l.category, p.component, p.part_source, count(*) AS parts, median(p.unit_cost) AS median_price
FROM store_parts AS p
INNER JOIN job AS j ON j.source = p.source AND j.job_id = p.job_id
INNER JOIN leaf AS l ON l.leaf = j.leaf
INNER JOIN money_of_account AS m ON coalesce(p.currency, j.currency, m.currency) = m.currency
WHERE l.category IS NOT NULL AND p.component IS NOT NULL AND p.part_source IS NOT NULL AND p.unit_cost IS NOT NULL
GROUP BY l.category, p.component, p.part_source
ORDER BY l.category, p.component, p.part_source
