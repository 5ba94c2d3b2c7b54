"""A plain reading of the records by the definitions, beside the truth: is the truth what it says?  python check.py DIR"""
import sys, json
import numpy as np, pandas as pd
d = sys.argv[1]; T = pd.DataFrame(json.load(open(f"{d}/truth.json"))["rows"])
J, M = [], []
for s in ("north", "south", "hill"):
    j = pd.read_csv(f"{d}/{s}/jobs.csv", dtype=str, keep_default_na=False); m = pd.read_csv(f"{d}/{s}/machines.csv", dtype=str, keep_default_na=False)
    j["shop"] = s; m["shop"] = s
    j["closed"] = pd.to_datetime(j.closed_on); j["event"] = pd.to_datetime(j.booked_on.where(j.booked_on != "", j.closed_on))
    lo, hi = j.closed.min(), j.closed.max()
    m["a"] = pd.to_datetime(m.entered_on).clip(lower=lo); m["b"] = pd.to_datetime(m.left_on.where(m.left_on != "", "2025-06-30")).clip(upper=hi + pd.Timedelta(days=1))
    c = j[(j.outcome == "condemned") & (j.machine_id != "")].groupby("machine_id").closed.min()
    m["b"] = np.minimum(m.b, m.machine_id.map(c).fillna(pd.Timestamp("2100-01-01")))
    J.append(j); M.append(m[m.b > m.a])
J = pd.concat(J); M = pd.concat(M)
M["y"] = (M.b - M.a).dt.days / 365.25
x = J[(J.machine_id != "")].merge(M[["shop", "machine_id", "a", "b", "in_service_on"]], on=["shop", "machine_id"])
x = x[(x.event >= x.a) & (x.event <= x.b)].drop_duplicates(["shop", "job_id"])
f = x[x.outcome != "no_fault_found"]
def t(**k):
    q = T
    for a, b in k.items(): q = q[q[a].isna() if b is None else q[a] == b]
    return q.iloc[0]
for c in ["all", *T.category.dropna().unique()]:
    s = (lambda z: z) if c == "all" else (lambda z: z[z.category == c])
    n, y = len(s(f)), s(M).y.sum()
    r = t(table="failure_rate", scope=c, component=None, age_from_years=None)
    print(f"{c:16s} rate {n / y:.4f} +- {1.4 * n**.5 / y:.4f} truth {r.truth:.4f}  events {n} expected {r.n:.0f}, years {y:.0f} expected {r.n / r.truth:.0f}")
    j = s(J)
    print("                 outcome", {o: (round((j.outcome == o).mean(), 4), round(t(table='outcome', scope=c, outcome=o).truth, 4)) for o in j.outcome.unique()})
    q = j[j.outcome == "repaired"]
    print("                 labour", round(q.labour_cost.astype(float).mean(), 2), round(t(table="repair_cost", scope=c, component=None, cost="labour", statistic="mean").truth, 2),
          "parts", round(pd.to_numeric(q.parts_cost).mean(), 2), round(t(table="repair_cost", scope=c, component=None, cost="parts", statistic="mean").truth, 2))
P = pd.concat([pd.read_csv(f"{d}/{s}/parts.csv") for s in ("north", "south", "hill")])
o = P[P.ordered_on.notna() & P.received_on.notna()]
w = np.busday_count(np.array(o.ordered_on.tolist(), "M8[D]"), np.array(o.received_on.tolist(), "M8[D]"))
for s in ("new-original", "new-pattern"):
    k = (o.part_source == s).values; a = P[(P.part_source == s) & P.ordered_on.notna()]
    print(s, "orders", len(a), "late", round((w[k] > 15).mean(), 4), "unavailable", round((a.unavailable == "yes").sum() / ((a.unavailable == "yes").sum() + k.sum()), 4), "median", np.median(w[k]))
