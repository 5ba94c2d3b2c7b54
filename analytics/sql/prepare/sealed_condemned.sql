-- One row per condemned job: its primary fault (missing: no part is named), and whether that part sits inside an assembly that the model's
-- design seals (missing where no part is named; 0 too where the catalogue does not say how the machine is built).
-- could_be_sealed: the design seals some assembly, so that a part not named may lie in it.
-- Reads: job, primary_fault, sealed_component, leaf, catalogue.
WITH sealing AS (
    SELECT DISTINCT category, design_value FROM sealed_component WHERE design_name = 'drum_design'
)
SELECT
    j.job,
    j.leaf,
    j.cluster,
    p.component,
    CASE WHEN s.component IS NOT NULL THEN 1 WHEN p.component IS NOT NULL THEN 0 END AS sealed,
    CASE WHEN l.drum_design IS NOT NULL THEN 1 ELSE 0 END AS design_known,
    CASE WHEN d.category IS NOT NULL THEN 1 ELSE 0 END AS could_be_sealed,
    j.price_new,
    c.mass_kg
FROM job AS j
INNER JOIN leaf AS l ON l.leaf = j.leaf
LEFT JOIN catalogue AS c ON c.model_key = l.model_key
LEFT JOIN primary_fault AS p ON p.job = j.job
LEFT JOIN sealed_component AS s
    ON s.category = l.category AND s.component = p.component AND s.design_name = 'drum_design' AND s.design_value = l.drum_design
LEFT JOIN sealing AS d ON d.category = l.category AND d.design_value = l.drum_design
WHERE j.outcome = 'condemned'
