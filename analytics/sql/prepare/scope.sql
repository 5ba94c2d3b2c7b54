-- One row per scope that evidence is given for: all > category > brand within a category > platform > model.
-- Reads: leaf.
WITH named AS (
    SELECT 0 AS depth, 'all' AS scope_level, 'all' AS scope, CAST(NULL AS VARCHAR) AS category
    UNION
    SELECT 1, 'category', category, category FROM leaf WHERE category IS NOT NULL
    UNION
    SELECT 2, 'brand', category || '/' || brand, category FROM leaf WHERE category IS NOT NULL AND brand IS NOT NULL
    UNION
    SELECT 3, 'platform', platform, min(category) FROM leaf WHERE platform IS NOT NULL GROUP BY platform
    UNION
    SELECT 4, 'model', model_key, min(category) FROM leaf WHERE model_key IS NOT NULL GROUP BY model_key
)
SELECT
    row_number() OVER (ORDER BY depth, scope) AS scope_id,
    scope_level,
    scope,
    category
FROM named
