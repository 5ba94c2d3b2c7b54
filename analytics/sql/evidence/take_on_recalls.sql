-- One row per leaf: repairs followed for as long as a recall counts (or come back within that time), recalls among them, and over the leaf's
-- whole category the recalls with known costs and what they cost the business in all, in hundredths.
-- Reads: leaf, followed_repair, booked_job, business.
WITH followed AS (
    SELECT
        r.leaf,
        count(*) AS repairs,
        sum(CASE WHEN r.same_fault AND r.followed_days <= s.recall_days THEN 1 ELSE 0 END) AS recalls
    FROM followed_repair AS r
    CROSS JOIN business AS s
    WHERE r.component IS NULL AND (r.followed_days >= s.recall_days OR r.returned)
    GROUP BY r.leaf
),
paid AS (
    SELECT
        b.category,
        count(*) AS recalls_costed,
        sum(b.parts + b.labour + b.travel - CASE WHEN s.returns_are_free THEN 0 ELSE b.charged END) AS cost
    FROM booked_job AS b
    CROSS JOIN business AS s
    WHERE b.is_recall AND b.parts IS NOT NULL AND b.labour IS NOT NULL AND (s.returns_are_free OR b.charged IS NOT NULL)
    GROUP BY b.category
)
SELECT
    l.leaf,
    l.category,
    CAST(coalesce(f.repairs, 0) AS BIGINT) AS repairs,
    CAST(coalesce(f.recalls, 0) AS BIGINT) AS recalls,
    CAST(coalesce(p.recalls_costed, 0) AS BIGINT) AS recalls_costed,
    CAST(coalesce(p.cost, 0) AS BIGINT) AS cost
FROM leaf AS l
LEFT JOIN followed AS f ON f.leaf = l.leaf
LEFT JOIN paid AS p ON p.category = l.category
ORDER BY l.leaf
