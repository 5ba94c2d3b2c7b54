-- One row per repaired job, primary component and booking on the day of the machine's return of which the component was the primary fault again. A part
-- that is not named is never the same.
-- Reads: return_booking, fault.
SELECT b.job, f.component, b.again
FROM return_booking AS b
INNER JOIN fault AS f ON f.job = b.job AND f.role = 'primary' AND f.component <> 'not_named'
INNER JOIN fault AS g ON g.job = b.again AND g.role = 'primary' AND g.component = f.component
WHERE b.named
