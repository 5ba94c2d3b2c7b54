-- One row: how much there is of everything.
-- Reads: job, primary_fault, fault_found, roster, store_machines, observation, catalogue, cut_off, money_of_account.
SELECT
    CAST((SELECT as_of FROM cut_off) AS VARCHAR) AS as_of,
    CAST((SELECT min(closed_on) FROM job) AS VARCHAR) AS first_closed_on,
    CAST((SELECT max(closed_on) FROM job) AS VARCHAR) AS last_closed_on,
    (SELECT currency FROM money_of_account) AS currency,
    (SELECT count(*) FROM job) AS jobs,
    (SELECT count(*) FROM primary_fault) AS jobs_with_primary_fault,
    (SELECT count(*) FROM fault_found WHERE component = 'not_named') AS jobs_fault_not_named,
    (SELECT count(*) FROM primary_fault WHERE primaries > 1) AS jobs_with_several_primary_faults,
    (SELECT count(*) FROM job WHERE on_roster) AS jobs_on_roster,
    (SELECT count(*) FROM job WHERE machine IS NULL) AS jobs_machine_unknown,
    (SELECT count(DISTINCT machine) FROM job) AS machines_in_jobs,
    (SELECT count(*) FROM job WHERE age_years IS NULL) AS jobs_age_unknown,
    (SELECT count(*) FROM job WHERE currency <> (SELECT currency FROM money_of_account)) AS jobs_other_currency,
    (SELECT count(*) FROM roster) AS roster_machines,
    (SELECT count(*) FROM store_machines) AS roster_stays,
    (SELECT count(DISTINCT machine) FROM observation) AS roster_machines_observed,
    (SELECT count(DISTINCT machine) FROM observation WHERE from_age_days IS NULL) AS roster_machines_age_unknown,
    (SELECT coalesce(sum(date_diff('day', from_on, to_on)), 0) / 365.25 FROM observation) AS machine_years,
    (SELECT count(*) FROM catalogue) AS models_in_catalogue
