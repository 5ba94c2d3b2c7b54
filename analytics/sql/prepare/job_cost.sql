-- One row per repaired job in the store's currency: what it cost. Parts cost falls back on the job's parts records where the job
-- itself is silent and every one of them has a price; a cost that is not known stays unknown.
-- A machine is named by its first repaired job.
-- Reads: job, primary_fault, job_parts_cost, money_of_account.
SELECT
    j.job,
    j.leaf,
    min(j.job) OVER (PARTITION BY j.cluster) AS cluster,
    p.component,
    j.age_from_years,
    j.labour_cost AS labour,
    coalesce(j.parts_cost, f.parts_cost) AS parts,
    j.labour_cost + coalesce(j.parts_cost, f.parts_cost) AS total,
    j.charged,
    j.labour_minutes
FROM job AS j
INNER JOIN money_of_account AS m ON coalesce(j.currency, m.currency) = m.currency
LEFT JOIN primary_fault AS p ON p.job = j.job
LEFT JOIN job_parts_cost AS f ON f.job = j.job
WHERE j.outcome = 'repaired'
