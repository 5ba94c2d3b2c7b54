-- The corrections of one component (the parameter; null: any), one row per leaf, cause and age. See life_correction.
-- Reads: life_correction.
SELECT leaf, cause, age_days, entered, left_observation, ended, events
FROM life_correction
WHERE component IS NOT DISTINCT FROM ?
ORDER BY leaf, age_days, cause
