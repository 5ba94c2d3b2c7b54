-- One row per category, component and origin of part: parts with a price in the store's currency, and their median price.
-- Reads: job_part.
SELECT p.category, p.component, p.part_source, count(*) AS parts, median(p.unit_cost) AS median_price
FROM job_part AS p
WHERE p.category IS NOT NULL AND p.component IS NOT NULL AND p.part_source IS NOT NULL AND p.unit_cost IS NOT NULL
GROUP BY p.category, p.component, p.part_source
ORDER BY p.category, p.component, p.part_source
