-- One row per scope, primary component and consequential component: jobs with findings recorded and that primary fault, those in which the
-- consequential component was found with it, and the same among the jobs with another primary fault.
-- Reads: fault, job, recorded_job, leaf_scope.
WITH recorded AS (
    SELECT j.job, j.leaf
    FROM recorded_job AS r
    INNER JOIN job AS j ON j.job = r.job
    WHERE r.role = 'consequential'
),
primary_of AS (
    SELECT r.job, r.leaf, f.component
    FROM recorded AS r
    INNER JOIN fault AS f ON f.job = r.job AND f.role = 'primary'
),
consequence_of AS (
    SELECT r.job, r.leaf, f.component
    FROM recorded AS r
    INNER JOIN fault AS f ON f.job = r.job AND f.role = 'consequential'
),
jobs_in_scope AS (
    SELECT s.scope_id, count(DISTINCT p.job) AS jobs
    FROM primary_of AS p
    INNER JOIN leaf_scope AS s ON s.leaf = p.leaf
    GROUP BY s.scope_id
),
jobs_with_primary AS (
    SELECT s.scope_id, p.component, count(*) AS jobs
    FROM primary_of AS p
    INNER JOIN leaf_scope AS s ON s.leaf = p.leaf
    GROUP BY s.scope_id, p.component
),
jobs_with_consequence AS (
    SELECT s.scope_id, c.component, count(*) AS jobs
    FROM consequence_of AS c
    INNER JOIN leaf_scope AS s ON s.leaf = c.leaf
    GROUP BY s.scope_id, c.component
),
together AS (
    SELECT s.scope_id, p.component, c.component AS consequential_component, count(*) AS events
    FROM primary_of AS p
    INNER JOIN consequence_of AS c ON c.job = p.job
    INNER JOIN leaf_scope AS s ON s.leaf = p.leaf
    GROUP BY s.scope_id, p.component, c.component
)
SELECT
    t.scope_id,
    t.component,
    t.consequential_component,
    p.jobs,
    t.events,
    n.jobs - p.jobs AS other_jobs,
    c.jobs - t.events AS other_events
FROM together AS t
INNER JOIN jobs_with_primary AS p ON p.scope_id = t.scope_id AND p.component = t.component
INNER JOIN jobs_with_consequence AS c ON c.scope_id = t.scope_id AND c.component = t.consequential_component
INNER JOIN jobs_in_scope AS n ON n.scope_id = t.scope_id
ORDER BY t.scope_id, t.component, t.consequential_component
