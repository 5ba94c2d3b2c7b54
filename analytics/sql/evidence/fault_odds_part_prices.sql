-- One row per category, component and origin of part: parts with a price in the store's currency, and their median price.
-- Reads: job_part, leaf.
SELECT l.category, p.component, p.part_source, count(*) AS parts, median(p.unit_cost) AS median_price
FROM job_part AS p
INNER JOIN leaf AS l ON l.leaf = p.leaf
WHERE l.category IS NOT NULL AND p.component IS NOT NULL AND p.part_source IS NOT NULL AND p.unit_cost IS NOT NULL
GROUP BY l.category, p.component, p.part_source
ORDER BY l.category, p.component, p.part_source
