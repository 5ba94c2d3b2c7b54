-- One row per repaired job: its leaf, component, age band and what it cost. Machines are named by their first job, so that seeded
-- resampling does not depend on hashed identifiers.
-- Reads: job_cost.
SELECT leaf, component, age_from_years, cluster, labour, parts, total, charged, labour_minutes
FROM job_cost
ORDER BY leaf, cluster, job
