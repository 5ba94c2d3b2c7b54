-- One row per category and model (null: the category as a whole): what an equivalent new machine costs, from the catalogue or else the jobs' median.
-- Reads: job, leaf, catalogue.
SELECT
    l.category,
    l.model_key,
    coalesce(max(c.price_new), quantile_cont(j.price_new, 0.5)) AS price_new
FROM job AS j
INNER JOIN leaf AS l ON l.leaf = j.leaf
LEFT JOIN catalogue AS c ON c.model_key = l.model_key
WHERE l.category IS NOT NULL AND l.model_key IS NOT NULL
GROUP BY l.category, l.model_key
UNION ALL
SELECT l.category, NULL, quantile_cont(j.price_new, 0.5)
FROM job AS j
INNER JOIN leaf AS l ON l.leaf = j.leaf
WHERE l.category IS NOT NULL
GROUP BY l.category
ORDER BY 1, 2 NULLS FIRST
