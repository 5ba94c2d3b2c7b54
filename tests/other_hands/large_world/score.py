#!/usr/bin/env python3
"""Run a program over a large world's records and hold its evidence against the known truth.

    python score.py PROGRAM DIR... [--markdown] [--worst N] [--store S] [--keep] [--json FILE]
"""
import argparse, json, os, re, shutil, subprocess, sys, tempfile, time
import numpy as np
import pandas as pd

DIMS = {
    "failure_rate": ["component", "age_from_years", "age_to_years"],
    "fault_share": ["component", "role", "statistic"],
    "outcome": ["outcome", "not_repaired_reason"],
    "sealed_write_off": ["statistic", "component"],
    "recall": ["component", "part_source", "repair_scope", "horizon_days", "same_fault", "roster_only"],
    "life": ["component", "curve", "statistic", "age_years"],
    "recurrence": ["age_years"],
    "repair_cost": ["component", "age_from_years", "age_to_years", "cost", "statistic"],
    "cascade": ["component", "consequential_component"],
    "part_supply": ["part_source", "statistic"],
    "trend": ["measure", "component", "statistic"],
    "design_contrast": ["contrast", "exposed", "reference", "component", "outcome", "statistic"],
    "model_standing": ["component", "measure"],
}


def key(v):
    if v is None or (isinstance(v, float) and np.isnan(v)) or v is pd.NaT or v is pd.NA: return ""
    if isinstance(v, (bool, np.bool_)): return str(bool(v))
    if isinstance(v, (int, float, np.integer, np.floating)): return f"{float(v):g}"
    return str(v)


def scope_key(level, scope):
    if level in ("platform", "model"): return re.sub(r"[^a-z0-9]", "", re.split(r"[/ ]", str(scope).lower())[-1])
    return str(scope)


def keyed(df, table):
    lv = df["scope_level"].astype(str).tolist(); sc = df["scope"].tolist()
    cols = [lv, [scope_key(a, b) for a, b in zip(lv, sc)]]
    for d in DIMS[table]:
        cols.append([key(v) for v in (df[d].astype(object).tolist() if d in df else [None] * len(df))])
    df = df.copy(); df["_k"] = list(zip(*cols))
    return df


def group(table, r):
    c = "any" if key(r.get("component")) == "" else "component"
    if table == "failure_rate":
        if r["scope_level"] == "model": return "any, by model"
        return c + (", all ages" if key(r.get("age_from_years")) == "" else ", by age band")
    if table == "fault_share": return r["role"]
    if table == "life": return r["curve"] + ", " + c
    if table == "recall": return c + (", same fault" if r["same_fault"] else ", any return")
    if table == "repair_cost": return r["statistic"] + ", " + c
    if table == "trend": return ("rate, " + c) if r["measure"] == "failure_rate" else "cost"
    if table == "part_supply": return r["statistic"]
    if table == "design_contrast": return r["outcome"] + ", " + r["statistic"]
    if table == "model_standing": return r["measure"] + ", " + c
    if table == "sealed_write_off": return r["statistic"]
    return ""


def run(program, d, store, log):
    t0 = time.time()
    for i, s in enumerate(("north", "south", "hill")):
        files = [f"{d}/{s}/{f}.csv" for f in ("jobs", "machines", "parts", "findings") if os.path.exists(f"{d}/{s}/{f}.csv")]
        if i == 0: files.insert(0, f"{d}/models.csv")
        cmd = [program, "ingest", *files, "--store", store, "--source", s]
        m = f"{d}/{s}/mapping.toml"
        if os.path.exists(m): cmd += ["--mapping", m]
        p = subprocess.run(cmd, capture_output=True, text=True)
        log.write(f"$ {' '.join(cmd)}\n{p.stdout}{p.stderr}\n")
        if p.returncode not in (0, 3) and "--mapping" in cmd:
            print(f"{s}: taken in without its mapping file, which was refused: {p.stderr.strip()[:200]}", file=sys.stderr)
            cmd = cmd[:cmd.index("--mapping")]
            p = subprocess.run(cmd, capture_output=True, text=True)
            log.write(f"$ {' '.join(cmd)}\n{p.stdout}{p.stderr}\n")
        if p.returncode not in (0, 3): sys.exit(f"ingest of {s} failed ({p.returncode}):\n{p.stderr[-3000:]}")
    p = subprocess.run([program, "analyse", "--store", store], capture_output=True, text=True)
    log.write(p.stdout + p.stderr)
    if p.returncode not in (0, 3): sys.exit(f"analyse failed ({p.returncode}):\n{p.stderr[-3000:]}")
    return time.time() - t0


def compare(store, truth):
    ev = f"{store}/evidence/current"
    T = pd.DataFrame(truth["rows"])
    out, notes = [], []
    extra = {}
    for table, dims in DIMS.items():
        t = T[T.table == table]
        if not len(t): continue
        f = f"{ev}/{table}.parquet"
        if not os.path.exists(f): notes.append(f"{table}: no file"); continue
        e = pd.read_parquet(f)
        t = keyed(t, table)
        if table == "recurrence":
            # the curve is a step function: its value at a whole age is that of the last step up to it
            rows = []
            for (lv, sc), g in e.groupby(["scope_level", "scope"]):
                g = g[g.age_years.notna()].sort_values("age_years"); ages = g.age_years.to_numpy()
                for a in range(1, 16):
                    i = np.searchsorted(ages, a, side="right") - 1
                    if i >= 0 and (i + 1 < len(g) or ages[-1] > a - 0.25):
                        x = g.iloc[i].to_dict(); x["age_years"] = float(a); rows.append(x)
            e = pd.DataFrame(rows)
        if table == "fault_share" and "statistic" in e: e = e[e.statistic == "share"]
        e = keyed(e, table)
        cols = [c for c in ("estimate", "lower", "upper", "reason", "events", "jobs", "machine_years", "condemned", "orders", "standing", "trend", "q_value",
                            "law", "statutory_class", "audience", "period", "crude", "category_mean") if c in e]
        x = e[["_k"] + cols].rename(columns={"law": "law_key"})
        m = t.merge(x, on="_k", how="left", indicator=True)
        m["found"] = m.pop("_merge").eq("both")
        m["grp"] = [group(table, r) for r in m.to_dict("records")]
        out.append(m)
    R = pd.concat(out, ignore_index=True)
    for c in ("estimate", "lower", "upper", "truth", "truth_named", "truth_blind", "truth_share_of_named"):
        R[c] = pd.to_numeric(R[c], errors="coerce") if c in R else np.nan
    return R, notes


def inside(R, col): return (R.lower <= R[col] + 1e-9) & (R.upper >= R[col] - 1e-9)


def summary(R):
    res = []
    for (table, g), x in R.groupby(["table", "grp"], sort=False):
        missing = int((~x.found).sum()); none = int((x.found & x.estimate.isna()).sum())
        e = x[x.estimate.notna()]
        i = e[e.lower.notna() & e.upper.notna()]
        r = dict(table=table, group=g, truths=len(x), no_row=missing, no_estimate=none, compared=len(i))
        def cov(col):
            y = i[i[col].notna()]
            return inside(y, col).mean() if len(y) else np.nan
        r["holds_truth"] = cov("truth"); r["holds_named"] = cov("truth_named"); r["holds_blind"] = cov("truth_blind")
        rat = (e.estimate / e.truth)[(e.truth != 0)]
        r["median_ratio"] = rat.median() if len(rat) else np.nan
        rn = (e.estimate / e.truth_named)[e.truth_named.notna() & (e.truth_named != 0)]
        r["median_ratio_named"] = rn.median() if len(rn) else np.nan
        r["est_above"] = (e.estimate > e.truth).mean() if len(e) else np.nan
        r["int_above"] = (i.lower > i.truth).mean() if len(i) else np.nan
        r["int_below"] = (i.upper < i.truth).mean() if len(i) else np.nan
        res.append(r)
    return pd.DataFrame(res)


def verdicts(R):
    v = []
    t = R[(R.table == "trend") & R.get("trend", pd.Series(index=R.index, dtype=object)).notna()]
    for m, x in (("rates", t[t.measure == "failure_rate"]), ("costs", t[t.measure != "failure_rate"])):
        if not len(x): continue
        law = x.law.astype(float); x = x.assign(expected=x.truth_blind.fillna(x.truth))
        wrong = ((x.trend == "rising") & (law <= 1)) | ((x.trend == "falling") & (law >= 1))
        right = ((x.trend == "rising") & (law > 1)) | ((x.trend == "falling") & (law < 1))
        v.append(f"trend, {m}: {len(x)} verdicts; rising {int((x.trend == 'rising').sum())}, falling {int((x.trend == 'falling').sum())}; "
                 f"wrongly called {wrong.mean():.3f}; rightly called {right.mean():.3f}; "
                 f"of the calls, against the direction of the expected change (with the mix of ages and models): {int((((x.trend == 'rising') & (x.expected < 1)) | ((x.trend == 'falling') & (x.expected > 1))).sum())}")
    if "standing" in R:
        s = R[(R.table == "model_standing") & R.standing.notna()]
        for m, x in s.groupby("grp"):
            ra = x.ratio.astype(float)
            call = x.standing.isin(["worse", "better"])
            wrong = ((x.standing == "worse") & (ra < 1)) | ((x.standing == "better") & (ra > 1))
            far = (ra > 1.25) | (ra < 0.8)
            v.append(f"model_standing, {m}: {len(x)} models; called {int(call.sum())} (worse {int((x.standing == 'worse').sum())}, better {int((x.standing == 'better').sum())}); "
                     f"on the wrong side {int(wrong.sum())} ({wrong.sum() / max(1, call.sum()):.3f} of calls); truly beyond 0.8-1.25: {int(far.sum())}, of them called rightly {int((far & call & ~wrong).sum())}")
    return v


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("program"); ap.add_argument("dir", nargs="+", help="one world or several, which are then scored together"); ap.add_argument("--markdown", action="store_true"); ap.add_argument("--worst", type=int, default=0)
    ap.add_argument("--table", help="worst rows of this table only"); ap.add_argument("--against", default="truth", choices=["truth", "truth_named", "truth_blind"])
    ap.add_argument("--store", help="use this store; if it has evidence already it is not rebuilt"); ap.add_argument("--keep", action="store_true")
    ap.add_argument("--csv", help="write every row compared")
    a = ap.parse_args()
    parts, notes = [], []
    for k, d in enumerate(a.dir):
        truth = json.load(open(f"{d}/truth.json"))
        store = (a.store if len(a.dir) == 1 else f"{a.store}-{k}") if a.store else tempfile.mkdtemp(prefix="large-")
        if not os.path.exists(f"{store}/evidence/current"):
            shutil.rmtree(store, ignore_errors=True)
            with open(f"{store}.log", "w") as log: secs = run(a.program, d, store, log)
            print(f"{d}: program {secs:.1f} s", file=sys.stderr)
        x, n = compare(store, truth); x["world"] = d; parts.append(x); notes += n
        if a.keep: print("store:", store, file=sys.stderr)
        elif not a.store:
            shutil.rmtree(store, ignore_errors=True)
            if os.path.exists(f"{store}.log"): os.remove(f"{store}.log")
    R = pd.concat(parts, ignore_index=True)
    S = summary(R)
    for n in notes: print(n)
    f = lambda v, d=3: "" if v is None or (isinstance(v, float) and np.isnan(v)) else (f"{v:.{d}f}" if isinstance(v, float) else str(v))
    heads = ["table", "group", "truths", "no row", "no estimate", "compared", "holds truth", "holds named", "holds blind", "ratio", "ratio named", "estimate above", "interval above", "interval below"]
    rows = [[f(v) for v in r.values()] for r in S.to_dict("records")]
    if a.markdown:
        print("| " + " | ".join(heads) + " |"); print("|" + "---|" * len(heads))
        for r in rows: print("| " + " | ".join(r) + " |")
    else:
        wd = [max(len(h), *(len(r[i]) for r in rows)) for i, h in enumerate(heads)]
        print("  ".join(h.ljust(w) for h, w in zip(heads, wd)))
        for r in rows: print("  ".join(c.ljust(w) for c, w in zip(r, wd)))
    print()
    for v in verdicts(R): print(("- " if a.markdown else "") + v)
    if a.worst:
        x = R[R.estimate.notna() & R.lower.notna() & R[a.against].notna()].copy()
        if a.table: x = x[x.table == a.table]
        t = x[a.against]; half = np.where(t > x.estimate, x.upper - x.estimate, x.estimate - x.lower)
        x["z"] = (x.estimate - t) / np.maximum(half, 1e-6)
        x = x.reindex(x.z.abs().sort_values(ascending=False).index).head(a.worst)
        print(f"\nworst {a.worst} rows, by distance in half-widths of the interval")
        for r in x.to_dict("records"):
            n = next((f"{c} {f(r[c], 0) if isinstance(r[c], float) else r[c]}" for c in ("events", "jobs", "orders") if c in r and key(r[c]) != ""), "")
            print(f"{r['z']:+7.2f}  {r['table']} [{r['grp']}] {' / '.join(k for k in r['_k'] if k)}: estimate {r['estimate']:.4g} ({r['lower']:.4g} to {r['upper']:.4g}), "
                  f"truth {r['truth']:.4g}, named {f(r['truth_named'], 4)}, expected n {f(r.get('n'), 1)}, {n}")
    if a.csv: R.drop(columns=["_k"]).to_csv(a.csv, index=False)


if __name__ == "__main__":
    main()
