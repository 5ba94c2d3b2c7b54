-- One row per scope and component (null: any): condemned jobs with a part named, those whose failed part is sealed in, and what went with them;
-- sums over machines for clustered intervals. Beside them the condemned jobs without a part named: all, those of known design, and those of a
-- design that seals something in.
-- Reads: sealed_condemned, sealed_component, leaf_scope.
WITH sliced AS (
    SELECT leaf, cluster, CAST(NULL AS VARCHAR) AS component, sealed, design_known, could_be_sealed, price_new, mass_kg FROM sealed_condemned
    UNION ALL
    SELECT
        n.leaf,
        n.cluster,
        c.component,
        CASE WHEN n.component = c.component THEN n.sealed WHEN n.component IS NOT NULL THEN 0 END,
        n.design_known,
        n.could_be_sealed,
        n.price_new,
        n.mass_kg
    FROM sealed_condemned AS n
    CROSS JOIN (SELECT DISTINCT component FROM sealed_component) AS c
),
per_machine AS (
    SELECT
        leaf,
        cluster,
        component,
        count(sealed) AS condemned,
        sum(CASE WHEN sealed IS NOT NULL THEN design_known ELSE 0 END) AS condemned_known,
        coalesce(sum(sealed), 0) AS sealed,
        count(*) - count(sealed) AS not_named,
        sum(CASE WHEN sealed IS NULL THEN design_known ELSE 0 END) AS not_named_known,
        sum(CASE WHEN sealed IS NULL THEN could_be_sealed ELSE 0 END) AS not_named_could_be,
        sum(CASE WHEN sealed = 1 THEN CAST(price_new AS DECIMAL(18, 2)) END) AS value_lost,
        sum(CASE WHEN sealed = 1 AND price_new IS NOT NULL THEN 1 ELSE 0 END) AS priced,
        sum(CASE WHEN sealed = 1 THEN CAST(mass_kg AS DECIMAL(18, 3)) END) AS mass_kg_lost,
        sum(CASE WHEN sealed = 1 AND mass_kg IS NOT NULL THEN 1 ELSE 0 END) AS weighed
    FROM sliced
    GROUP BY leaf, cluster, component
)
SELECT
    s.scope_id,
    m.component,
    CAST(sum(m.condemned) AS BIGINT) AS condemned,
    CAST(sum(m.condemned_known) AS BIGINT) AS condemned_known,
    CAST(sum(m.sealed) AS BIGINT) AS sealed,
    CAST(sum(m.not_named) AS BIGINT) AS not_named,
    CAST(sum(m.not_named_known) AS BIGINT) AS not_named_known,
    CAST(sum(m.not_named_could_be) AS BIGINT) AS not_named_could_be,
    CAST(sum(CASE WHEN m.condemned > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines,
    CAST(sum(m.condemned * m.condemned) AS DOUBLE) AS condemned_squared,
    CAST(sum(m.condemned_known * m.condemned_known) AS DOUBLE) AS known_squared,
    CAST(sum(m.sealed * m.sealed) AS DOUBLE) AS sealed_squared,
    CAST(sum(m.sealed * m.condemned) AS DOUBLE) AS sealed_times_condemned,
    CAST(sum(m.sealed * m.condemned_known) AS DOUBLE) AS sealed_times_known,
    CAST(sum(CASE WHEN m.condemned_known > 0 THEN 1 ELSE 0 END) AS BIGINT) AS machines_known,
    CAST(sum(m.value_lost) AS DOUBLE) AS value_lost,
    CAST(sum(m.priced) AS BIGINT) AS priced,
    CAST(sum(m.mass_kg_lost) AS DOUBLE) AS mass_kg_lost,
    CAST(sum(m.weighed) AS BIGINT) AS weighed
FROM per_machine AS m
INNER JOIN leaf_scope AS s ON s.leaf = m.leaf
GROUP BY s.scope_id, m.component
ORDER BY s.scope_id, m.component NULLS FIRST
