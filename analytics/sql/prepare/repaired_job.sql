-- One row per repaired job on a known machine: until when it was followed. Roster machines are followed to the day they left, others to the cut-off.
-- Reads: job, observation, cut_off.
SELECT j.job, j.leaf, j.machine, j.event_on, j.closed_on, o.machine IS NOT NULL AS on_roster,
    coalesce(o.to_on, t.as_of) AS followed_to
FROM job AS j
LEFT JOIN observation AS o ON o.machine = j.machine AND j.closed_on >= o.from_on AND j.closed_on <= o.to_on
CROSS JOIN cut_off AS t
WHERE j.outcome = 'repaired' AND j.machine IS NOT NULL
