-- One row per job: what the Open Repair Data Standard asks for, with a number of its own in place of the job's, and whether there is free text.
-- Reads: jobs, findings.
WITH fault AS (
    SELECT source, job_id, string_agg(DISTINCT component, chr(59) ORDER BY component) AS components
    FROM findings
    WHERE component IS NOT NULL AND coalesce(role, 'primary') = 'primary'
    GROUP BY source, job_id
)
SELECT
    j.source,
    CAST(row_number() OVER (PARTITION BY j.source ORDER BY j.closed_on, j.job_id) AS BIGINT) AS number,
    j.category,
    j.brand,
    CAST(coalesce(j.made_year, extract(YEAR FROM j.made_on)) AS BIGINT) AS made_year,
    CAST(floor(coalesce(
        j.age_years_stated,
        date_diff('day', coalesce(j.bought_on, j.made_on), j.closed_on) / 365.25,
        extract(YEAR FROM j.closed_on) - j.made_year
    )) AS BIGINT) AS age_years,
    j.outcome,
    j.not_repaired_reason,
    CAST(j.closed_on AS VARCHAR) AS closed_on,
    f.components,
    j.symptoms,
    (j.fault_text IS NOT NULL OR j.cause IS NOT NULL OR j.notes IS NOT NULL) AS has_free_text
FROM jobs AS j
LEFT JOIN fault AS f ON f.source = j.source AND f.job_id = j.job_id
ORDER BY j.source, number
