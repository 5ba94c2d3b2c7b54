-- One row per model of the catalogue: its category, brand, platform and design traits. A platform that carries machines of several categories
-- is one platform for each, named with the category: other components, lives and laws apply.
-- Reads: store_models.
WITH model AS (
    SELECT
        model_key,
        max(category) AS category,
        max(brand) AS brand,
        max(platform) AS platform,
        max(drum_design) AS drum_design,
        max(motor_type) AS motor_type,
        max(price_new) AS price_new,
        max(mass_kg) AS mass_kg,
        max(first_sold_on) AS first_sold_on,
        max(last_sold_on) AS last_sold_on
    FROM store_models
    WHERE model_key IS NOT NULL
    GROUP BY model_key
),
shared AS (
    SELECT platform
    FROM model
    GROUP BY platform
    HAVING min(category) <> max(category)
)
SELECT
    m.model_key,
    m.category,
    m.brand,
    CASE WHEN s.platform IS NULL THEN m.platform ELSE m.platform || ' (' || m.category || ')' END AS platform,
    m.drum_design,
    m.motor_type,
    m.price_new,
    m.mass_kg,
    m.first_sold_on,
    m.last_sold_on
FROM model AS m
LEFT JOIN shared AS s ON s.platform = m.platform
