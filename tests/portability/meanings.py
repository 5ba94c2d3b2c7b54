"""Single constructs of the SQL at the edges of their meaning, where records may hold no case of it: ties, halves, nulls, ends of months."""

MEANINGS = {
    "ties of mode": "SELECT mode(x ORDER BY x) AS first_of_two FROM (VALUES (3), (2), (2), (1), (1)) AS t (x)",
    "median of even number": "SELECT quantile_cont(x, 0.5) AS a, median(x) AS b FROM (VALUES (3), (2), (2), (1), (NULL), (10), (7)) AS t (x)",
    "whole division": "SELECT -7 // 2 AS quotient, -7 % 2 AS remainder, 7 // 2 AS up, 1 / 3 AS fraction, 1 / 365.25 AS of_decimal",
    "halves": "SELECT round(-2.5) AS below, round(CAST(2.5 AS DOUBLE)) AS above, CAST(CAST(-0.00005 AS DOUBLE) AS DECIMAL(18, 4)) AS decimal",
    "least and greatest": "SELECT greatest(NULL, 1) AS a, least(2, NULL) AS b, greatest(DATE '2024-01-01', NULL) AS c, greatest(0, 0.5) AS d",
    "ends of months": """SELECT CAST(DATE '2024-03-31' - INTERVAL 1 MONTH AS DATE) AS leap, CAST(DATE '2024-02-29' - to_months(12) AS DATE) AS year,
        DATE '2024-03-01' - 1 AS day, CAST(DATE '2024-03-31' - to_days(31) AS DATE) AS days""",
    "days between": """SELECT date_diff('day', DATE '2024-03-30', DATE '2024-04-01') AS over_summer_time,
        date_diff('day', DATE '2024-03-02', DATE '2024-02-28') AS back, date_diff('day', DATE '1900-01-01', NULL) AS unknown""",
    "order of texts": "SELECT x FROM (VALUES ('b'), ('a'), (NULL), ('B'), ('é'), ('a_'), ('aa'), ('a b')) AS t (x) ORDER BY x",
    "texts put together": """SELECT string_agg(x || '*', ' ' ORDER BY y) AS joined, max('a' || CAST(NULL AS VARCHAR)) AS unknown
        FROM (VALUES ('c', 2), ('a', 3), ('B', 1)) AS t (x, y)""",
    "nulls in windows": """SELECT x, row_number() OVER (ORDER BY x) AS up, row_number() OVER (ORDER BY x DESC) AS down, count(x) OVER (PARTITION BY x) AS n
        FROM (VALUES (1), (NULL), (2)) AS t (x) ORDER BY x""",
    "null-safe equality": "SELECT NULL IS NOT DISTINCT FROM NULL AS a, 1 IS NOT DISTINCT FROM NULL AS b, NULL = NULL AS c, NULL IN (1, 2) AS d",
    "nothing to sum": "SELECT sum(x) AS a, avg(x) AS b, count(x) AS c, max(x) AS d FROM (SELECT 1 AS x WHERE 1 = 0) AS t",
    "variant letter": r"SELECT regexp_replace(upper(regexp_replace('ab-1/2c', '[^A-Za-z0-9]', '', 'g')), '([0-9])[A-Z]$', '\1') AS family",
    "grouping sets": """SELECT x, y, count(*) AS n FROM (VALUES (1, 'a'), (1, NULL), (2, 'a')) AS t (x, y)
        GROUP BY GROUPING SETS ((x, y), (x)) ORDER BY x, y NULLS FIRST, n""",
}
