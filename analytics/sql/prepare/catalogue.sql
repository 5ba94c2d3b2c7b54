-- One row per model of the catalogue: its category, brand, platform and design traits.
-- Reads: store_models.
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
