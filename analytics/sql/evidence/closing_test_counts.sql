-- One row per scope and measure: repaired jobs, those with a closing test on record (for the measures: stating it), and those whose result
-- is beyond the usual limit. The limits are those of schemas/vocabularies/closing_tests.toml; a test holds them against each other.
-- Reads: job, store_jobs, leaf_scope.
WITH tested AS (
    SELECT
        j.leaf,
        j.cluster,
        s.closing_test IS NOT NULL AND coalesce(s.closing_overall, '') <> 'not_done' AS is_tested,
        s.closing_earth_ohms AS earth,
        s.closing_insulation_megohms AS insulation,
        s.closing_leakage_milliamps AS leakage,
        coalesce(s.closing_leakage_kind, '') AS kind,
        s.closing_polarity AS polarity,
        s.closing_function AS function_result,
        coalesce(s.closing_overall, '') AS overall,
        coalesce(
            j.category IN ('washing_machine', 'washer_dryer', 'tumble_dryer', 'dishwasher', 'oven', 'hob', 'cooker'), FALSE
        ) AS heats,
        coalesce(j.category IN ('oven', 'hob', 'cooker'), FALSE) AS heats_much
    FROM job AS j
    INNER JOIN store_jobs AS s ON s.source = j.source AND s.job_id = j.job_id
    WHERE j.outcome = 'repaired'
),
judged AS (
    SELECT
        t.*,
        coalesce(t.earth > 0.3, FALSE) AS earth_beyond,
        coalesce(t.insulation < CASE WHEN t.heats THEN 0.3 ELSE 1.0 END, FALSE) AS insulation_beyond,
        coalesce(
            t.leakage > CASE WHEN t.kind = 'touch' THEN 0.5 WHEN t.heats_much THEN 10.0 ELSE 3.5 END, FALSE
        ) AS leakage_beyond,
        coalesce(t.polarity = 'failed', FALSE) AS polarity_beyond,
        coalesce(t.function_result = 'failed', FALSE) AS function_beyond
    FROM tested AS t
),
measured AS (
    SELECT
        leaf,
        cluster,
        'any' AS measure,
        is_tested AS is_recorded,
        overall = 'failed' OR earth_beyond OR insulation_beyond OR leakage_beyond OR polarity_beyond OR function_beyond AS is_beyond
    FROM judged
    UNION ALL
    SELECT leaf, cluster, 'earth', earth IS NOT NULL, earth_beyond FROM judged WHERE is_tested
    UNION ALL
    SELECT leaf, cluster, 'insulation', insulation IS NOT NULL, insulation_beyond FROM judged WHERE is_tested
    UNION ALL
    SELECT leaf, cluster, 'leakage', leakage IS NOT NULL, leakage_beyond FROM judged WHERE is_tested
    UNION ALL
    SELECT leaf, cluster, 'polarity', polarity IS NOT NULL, polarity_beyond FROM judged WHERE is_tested
    UNION ALL
    SELECT leaf, cluster, 'function', function_result IS NOT NULL, function_beyond FROM judged WHERE is_tested
),
per_machine AS (
    SELECT
        leaf,
        cluster,
        measure,
        count(*) AS jobs,
        sum(CASE WHEN is_recorded THEN 1 ELSE 0 END) AS recorded,
        sum(CASE WHEN is_recorded AND is_beyond THEN 1 ELSE 0 END) AS beyond
    FROM measured
    GROUP BY leaf, cluster, measure
)
SELECT
    s.scope_id,
    m.measure,
    CAST(sum(m.jobs) AS BIGINT) AS jobs,
    count(*) AS machines,
    CAST(sum(m.jobs * m.jobs) AS DOUBLE) AS jobs_squared,
    CAST(sum(m.recorded) AS BIGINT) AS events,
    CAST(sum(m.recorded * m.recorded) AS DOUBLE) AS events_squared,
    CAST(sum(m.recorded * m.jobs) AS DOUBLE) AS events_times_jobs,
    CAST(sum(CASE WHEN m.recorded > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines_recorded,
    CAST(sum(m.beyond) AS BIGINT) AS beyond,
    CAST(sum(m.beyond * m.beyond) AS DOUBLE) AS beyond_squared,
    CAST(sum(m.beyond * m.recorded) AS DOUBLE) AS beyond_times_recorded
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
GROUP BY s.scope_id, m.measure
ORDER BY s.scope_id, m.measure
