-- One row per job up to the cut-off: which machine it was, what kind, and the day the fault happened (booked, else closed).
-- The roster's word on the model goes before the job's, so that events and exposure fall in the same place.
-- Only what numbers the jobs is sorted, the rest is joined to it.
-- Reads: store_jobs, machine_link, roster, catalogue, cut_off.
WITH numbered AS (
    SELECT j.source, j.job_id, row_number() OVER (ORDER BY j.closed_on, j.source, j.job_id) AS job
    FROM store_jobs AS j
    CROSS JOIN cut_off AS t
    WHERE j.closed_on <= t.as_of
)
SELECT
    n.job,
    j.source,
    j.job_id,
    l.machine,
    coalesce(l.on_roster, FALSE) AS on_roster,
    coalesce(c.category, r.category, j.category) AS category,
    coalesce(c.brand, r.brand, j.brand) AS brand,
    coalesce(r.model_key, j.model_key) AS model_key,
    coalesce(j.booked_on, j.closed_on) AS event_on,
    j.closed_on,
    r.in_service_on,
    j.made_on,
    j.bought_on,
    j.made_year,
    j.age_years_stated,
    j.site,
    j.visits,
    j.symptoms,
    j.symptoms_origin,
    j.complaint_words,
    j.outcome,
    j.not_repaired_reason,
    j.labour_minutes,
    j.labour_cost,
    j.parts_cost,
    j.charged,
    j.currency,
    j.price_new AS price_new_recorded,
    c.price_new AS price_new_catalogue
FROM store_jobs AS j
INNER JOIN numbered AS n ON n.source = j.source AND n.job_id = j.job_id
LEFT JOIN machine_link AS l ON l.source = j.source AND l.identifier = coalesce(j.machine_id_key, j.serial_key)
LEFT JOIN roster AS r ON r.machine = l.machine
LEFT JOIN catalogue AS c ON c.model_key = coalesce(r.model_key, j.model_key)
