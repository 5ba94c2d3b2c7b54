-- One row per leaf and component that its machines have: the category has it, and no known trait of the model says otherwise.
-- Reads: leaf, component_of.
SELECT
    l.leaf,
    c.component,
    c.trait_name IS NOT NULL
    AND CASE c.trait_name WHEN 'motor_type' THEN l.motor_type WHEN 'drum_design' THEN l.drum_design END IS NULL AS trait_unknown
FROM leaf AS l
INNER JOIN component_of AS c ON c.category = l.category
WHERE
    c.trait_name IS NULL
    OR coalesce(CASE c.trait_name WHEN 'motor_type' THEN l.motor_type WHEN 'drum_design' THEN l.drum_design END, c.trait_value) = c.trait_value
