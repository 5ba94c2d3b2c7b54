-- One row per model that the catalogue or a record names, with its category, and its price new where the catalogue has it.
-- Reads: catalogue, leaf.
SELECT category, model_key, min(brand) AS brand, min(platform) AS platform, max(price_new) AS price_new
FROM (
    SELECT category, model_key, brand, platform, price_new FROM catalogue
    UNION ALL
    SELECT category, model_key, brand, platform, NULL FROM leaf
) AS named
WHERE category IS NOT NULL AND model_key IS NOT NULL
GROUP BY category, model_key
ORDER BY category, model_key
