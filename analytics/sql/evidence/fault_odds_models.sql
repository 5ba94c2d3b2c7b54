-- One row per model that the catalogue or a record names, with its category.
-- Reads: catalogue, leaf.
SELECT category, model_key, min(brand) AS brand, min(platform) AS platform
FROM (
    SELECT category, model_key, brand, platform FROM catalogue
    UNION ALL
    SELECT category, model_key, brand, platform FROM leaf
) AS named
WHERE category IS NOT NULL AND model_key IS NOT NULL
GROUP BY category, model_key
ORDER BY category, model_key
