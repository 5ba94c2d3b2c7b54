-- One row per leaf and scope that contains it.
-- Reads: leaf, scope.
SELECT l.leaf, s.scope_id
FROM leaf AS l
INNER JOIN scope AS s
    ON (s.scope_level = 'all')
    OR (s.scope_level = 'category' AND s.scope = l.category)
    OR (s.scope_level = 'brand' AND s.scope = l.category || '/' || l.brand)
    OR (s.scope_level = 'platform' AND s.scope = l.platform)
    OR (s.scope_level = 'model' AND s.scope = l.model_key)
