-- One row per order and slice that it counts in: by part source, by who may buy, by class, and by statutory period (in_force lies inside within).
-- Classes are kept apart for parts of the machine's own maker only, since the law binds nobody else, and within the law's years.
-- Reads: part_order.
WITH in_period AS (
    SELECT o.*, o.statutory_period AS period FROM part_order AS o
    UNION ALL
    SELECT o.*, 'in_force' AS period FROM part_order AS o WHERE o.in_force = 1 AND o.statutory_period = 'within'
),
sliced AS (
    SELECT i.*, CAST(NULL AS VARCHAR) AS of_audience, CAST(NULL AS VARCHAR) AS of_law, CAST(NULL AS VARCHAR) AS of_class FROM in_period AS i
    UNION ALL
    SELECT i.*, i.audience AS of_audience, NULL AS of_law, NULL AS of_class FROM in_period AS i
    UNION ALL
    SELECT i.*, i.audience AS of_audience, i.law AS of_law, i.statutory_class AS of_class
    FROM in_period AS i
    WHERE i.part_source = 'new-original' AND i.period = 'within'
)
SELECT
    leaf,
    cluster,
    part_source,
    of_audience,
    of_law,
    of_class,
    period,
    delivery_working_days,
    wait_working_days,
    ending
FROM sliced
