-- One row per stay of a roster machine of known age: its leaf and the ages between which it is watched.
-- Reads: observation.
SELECT leaf, machine, from_age_days, from_age_years, to_age_years
FROM observation
WHERE from_age_days IS NOT NULL
ORDER BY leaf, from_age_years, to_age_years, machine
