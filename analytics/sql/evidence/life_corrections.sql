-- The corrections of one component (the parameter; null: any), one row per leaf, whether watched from new, cause and age. See life_correction.
-- Reads: life_correction.
SELECT leaf, from_new, cause, age_days, entered, left_observation, ended, events
FROM life_correction
WHERE component IS NOT DISTINCT FROM ?
ORDER BY leaf, from_new, age_days, cause
