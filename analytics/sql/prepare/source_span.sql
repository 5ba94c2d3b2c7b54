-- One row per source with jobs up to the cut-off: first and last day from which its jobs are on record. The mapping file says so, in its latest
-- word; else it is the first job's day less the mean gap between jobs, and the last job's day and one such gap. Never beyond the cut-off.
-- Reads: store_jobs, store_ledger, cut_off.
WITH recorded AS (
    SELECT j.source, min(j.closed_on) AS first_on, max(j.closed_on) AS last_on, count(*) AS jobs
    FROM store_jobs AS j
    CROSS JOIN cut_off AS t
    WHERE j.closed_on <= t.as_of
    GROUP BY j.source
),
gap AS (
    SELECT
        source,
        first_on,
        last_on,
        CASE WHEN jobs > 1 THEN CAST(round(date_diff('day', first_on, last_on) / CAST(jobs - 1 AS DOUBLE)) AS INTEGER) ELSE 0 END AS days
    FROM recorded
),
said_from AS (
    SELECT l.source, max(l.records_from_on) AS from_on
    FROM store_ledger AS l
    INNER JOIN (
        SELECT source, max(ingest_number) AS ingest_number FROM store_ledger WHERE records_from_on IS NOT NULL GROUP BY source
    ) AS latest ON latest.source = l.source AND latest.ingest_number = l.ingest_number
    GROUP BY l.source
),
said_to AS (
    SELECT l.source, max(l.records_to_on) AS to_on
    FROM store_ledger AS l
    INNER JOIN (
        SELECT source, max(ingest_number) AS ingest_number FROM store_ledger WHERE records_to_on IS NOT NULL GROUP BY source
    ) AS latest ON latest.source = l.source AND latest.ingest_number = l.ingest_number
    GROUP BY l.source
)
SELECT
    g.source,
    coalesce(f.from_on, g.first_on - g.days) AS from_on,
    least(coalesce(u.to_on, g.last_on + g.days), t.as_of) AS to_on
FROM gap AS g
CROSS JOIN cut_off AS t
LEFT JOIN said_from AS f ON f.source = g.source
LEFT JOIN said_to AS u ON u.source = g.source
