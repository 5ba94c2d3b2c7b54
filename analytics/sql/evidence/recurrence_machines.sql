-- One row per roster machine under observation: its leaf and the ages between which it is observed.
-- Reads: observation.
SELECT leaf, machine, from_age_years, to_age_years
FROM observation
ORDER BY leaf, from_age_years, to_age_years, machine
