-- One row per order of a new part that a law lists: when it was ordered, how it ended and after how many working days, and where the order lies against the
-- law's years after the last unit of the model was sold. ending: delivered; unavailable (on what day is not recorded: after no days); open (it had not come by the
-- cut-off, or by the day on which a machine was given up or handed back unmended: after at least as many days); not_recorded (the machine was repaired, so that
-- the part came or was not needed, and nobody wrote down when: no days).
-- Working days are Monday to Friday without the public holidays that were given; the day after ordering is day 1.
-- statutory_period: within, after, or unknown. A model of unknown last sale is within while its first sale is less than those years ago.
-- in_force: ordered when the law bound machines placed on the market, of a model placed on the market since then.
-- Reads: job_part, job, leaf, catalogue, statutory_part, holiday, cut_off.
WITH dated AS (
    SELECT
        p.job,
        p.leaf,
        p.cluster,
        p.component,
        p.part_source,
        s.law,
        s.statutory_class,
        s.audience,
        s.delivery_working_days,
        s.years_after_last_sale,
        s.applies_from,
        coalesce(p.ordered_on, j.event_on) AS ordered_on,
        CASE
            WHEN p.received_on >= p.ordered_on AND p.received_on <= t.as_of THEN 'delivered'
            WHEN p.unavailable AND p.received_on IS NULL THEN 'unavailable'
            WHEN j.outcome = 'repaired' THEN 'not_recorded'
            ELSE 'open'
        END AS ending,
        CASE
            WHEN p.received_on >= p.ordered_on AND p.received_on <= t.as_of THEN p.received_on
            WHEN p.unavailable OR j.outcome = 'repaired' THEN NULL
            WHEN j.outcome IN ('condemned', 'declined', 'no_fault_found') THEN greatest(j.closed_on, p.ordered_on)
            ELSE t.as_of
        END AS ended_on,
        c.first_sold_on,
        c.last_sold_on
    FROM job_part AS p
    INNER JOIN job AS j ON j.job = p.job
    INNER JOIN leaf AS l ON l.leaf = p.leaf
    INNER JOIN statutory_part AS s ON s.category = l.category AND s.component = p.component
    CROSS JOIN cut_off AS t
    LEFT JOIN catalogue AS c ON c.model_key = l.model_key
    WHERE p.part_source IN ('new-original', 'new-pattern')
        AND ((p.ordered_on IS NOT NULL AND p.ordered_on <= t.as_of) OR p.unavailable)
),
wait AS (
    SELECT DISTINCT ordered_on, ended_on FROM dated WHERE ended_on IS NOT NULL
),
-- 1900-01-01 was a Monday.
interrupted AS (
    SELECT w.ordered_on, w.ended_on, count(*) AS holidays
    FROM wait AS w
    INNER JOIN holiday AS h
        ON h.day > w.ordered_on AND h.day <= w.ended_on AND date_diff('day', DATE '1900-01-01', h.day) % 7 < 5
    GROUP BY w.ordered_on, w.ended_on
),
counted AS (
    SELECT
        d.*,
        coalesce(i.holidays, 0) AS holidays,
        date_diff('day', DATE '1900-01-01', d.ordered_on) AS ordered_day,
        date_diff('day', DATE '1900-01-01', d.ended_on) AS ended_day,
        date_diff('day', d.last_sold_on, d.ordered_on) / 365.25 AS years_since_last_sale,
        date_diff('day', d.first_sold_on, d.ordered_on) / 365.25 AS years_since_first_sale
    FROM dated AS d
    LEFT JOIN interrupted AS i ON i.ordered_on = d.ordered_on AND i.ended_on = d.ended_on
)
SELECT
    job,
    leaf,
    cluster,
    component,
    part_source,
    law,
    statutory_class,
    audience,
    delivery_working_days,
    -- Five working days a whole week, and those of the week begun.
    CASE
        WHEN ending = 'unavailable' THEN 0
        ELSE (5 * (ended_day // 7) + least(ended_day % 7, 4)) - (5 * (ordered_day // 7) + least(ordered_day % 7, 4)) - holidays
    END AS wait_working_days,
    ending,
    CASE
        WHEN years_since_last_sale <= years_after_last_sale THEN 'within'
        WHEN years_since_last_sale > years_after_last_sale THEN 'after'
        WHEN years_since_first_sale <= years_after_last_sale THEN 'within'
        ELSE 'unknown'
    END AS statutory_period,
    CASE
        WHEN ordered_on >= applies_from AND coalesce(last_sold_on, first_sold_on) >= applies_from THEN 1
        ELSE 0
    END AS in_force
FROM counted
