-- One row per job, ready to count: its leaf, its machine (or itself, where the machine is unknown: the cluster), age and age band.
-- price_new_recorded is what the job itself says, in the money of account; price_new falls back on the catalogue.
-- Reads: dated_job, machine_clock, leaf, age_band, money_of_account.
WITH aged AS (
    SELECT
        j.*,
        CASE
            WHEN j.event_on >= k.starts_on THEN date_diff('day', k.starts_on, j.event_on) / 365.25
        END AS age_years,
        CASE WHEN j.event_on >= k.starts_on THEN k.age_basis ELSE 'unknown' END AS age_basis,
        CASE WHEN coalesce(j.currency, m.currency) = m.currency THEN j.price_new_recorded END AS price_new_in_account
    FROM dated_job AS j
    CROSS JOIN money_of_account AS m
    LEFT JOIN machine_clock AS k ON k.unit = coalesce(j.machine, -j.job)
)
SELECT
    a.job,
    a.source,
    a.job_id,
    a.machine,
    coalesce(a.machine, -a.job) AS cluster,
    a.on_roster,
    l.leaf,
    a.category,
    a.event_on,
    a.closed_on,
    a.age_years,
    a.age_basis,
    b.age_from_years,
    a.site,
    a.visits,
    a.symptoms,
    a.symptoms_origin,
    a.complaint_words,
    a.outcome,
    a.not_repaired_reason,
    a.labour_minutes,
    a.labour_cost,
    a.parts_cost,
    a.charged,
    a.currency,
    a.price_new_in_account AS price_new_recorded,
    coalesce(a.price_new_in_account, a.price_new_catalogue) AS price_new
FROM aged AS a
INNER JOIN leaf AS l
    ON l.category IS NOT DISTINCT FROM a.category
    AND l.brand IS NOT DISTINCT FROM a.brand
    AND l.model_key IS NOT DISTINCT FROM a.model_key
LEFT JOIN age_band AS b
    ON a.age_years >= b.age_from_years
    AND (b.age_to_years IS NULL OR a.age_years < b.age_to_years)
