-- One row per model of which the catalogue says what drives it.
-- Reads: catalogue.
SELECT model_key, motor_type
FROM catalogue
WHERE motor_type IS NOT NULL
ORDER BY model_key
