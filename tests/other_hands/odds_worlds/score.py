"""Scores a program's diagnosis odds on a world.   score.py PROGRAM DIR [--jobs 600] [--markdown] [--one]

Trains the program (ingest, analyse) on all but the last twelve months of DIR/jobs.csv, asks it about jobs of the last
twelve months, and sets its answers beside base frequencies, logistic regressions and the law's own probabilities."""
import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

import baselines as bl


def run(cmd):
    r = subprocess.run([str(c) for c in cmd], capture_output=True, text=True)
    if r.returncode:
        sys.exit(f"{' '.join(map(str, cmd))}\n{r.stdout[-500:]}\n{r.stderr[-2000:]}")
    return r.stdout


def ask(program, store, b, one):
    cmd = [program, "odds", "--store", store, "--category", b["category"]]
    if b["brand"]:
        cmd += ["--brand", b["brand"]]
    if b["model"]:
        cmd += ["--model", b["model"]]
    if b["age"] is not None:
        cmd += ["--age", f"{b['age']:g}"]
    for s in ["; ".join(b["symptoms"])] if one else b["symptoms"]:
        cmd += ["--symptom", s]
    r = subprocess.run(cmd + ["--json"], capture_output=True, text=True)
    if r.returncode:
        return dict(error=r.stderr.strip()[-300:], cmd=cmd)
    return json.loads(r.stdout)


def read_answer(j, parts):
    """{component: p}, {component: (lower, upper)}; what is not listed shares the mass left, evenly"""
    p, iv = {}, {}
    for f in j["odds"]:
        q = f["probability"]
        if isinstance(q, dict):
            p[f["component"]] = q["estimate"]
            iv[f["component"]] = (q["lower"], q["upper"])
        else:
            p[f["component"]] = q
    rest = [c for c in parts if c not in p]
    left = max(0.0, 1 - sum(p.values()))
    for c in rest:
        p[c] = left / len(rest)
    return p, iv


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("program")
    ap.add_argument("dir")
    ap.add_argument("--jobs", type=int, default=600, help="held-out jobs to ask about (0: all)")
    ap.add_argument("--markdown", action="store_true")
    ap.add_argument("--one", action="store_true", help="all symptoms of a job in one --symptom, parted by ;")
    ap.add_argument("--store", help="use this store if it is there, and keep it")
    ap.add_argument("--dump", help="write the answers here (JSON lines)")
    ap.add_argument("--pick", type=int, default=5, help="seed of the choice of held-out jobs")
    a = ap.parse_args()

    bayes = {r["job_id"]: r for r in map(json.loads, open(os.path.join(a.dir, "bayes.jsonl")))}
    models = pd.read_csv(os.path.join(a.dir, "models.csv"), dtype=str)
    platform = dict(zip(models["model"], models["platform"]))
    d = bl.load(os.path.join(a.dir, "jobs.csv"))
    train, late, cut = bl.split(d)
    late = late[late["job_id"].isin(bayes)]
    if a.jobs and a.jobs < len(late):
        late = late.iloc[np.sort(np.random.default_rng(a.pick).choice(len(late), a.jobs, replace=False))]
    ids = list(late["job_id"])
    truth = {j: (bayes[j]["category"], bayes[j]["component"]) for j in ids}
    parts = {bayes[j]["category"]: list(bayes[j]["p"]) for j in bayes}

    tmp = tempfile.mkdtemp(prefix="odds-")
    try:
        store = a.store or os.path.join(tmp, "store")
        if not os.path.exists(store):
            os.makedirs(os.path.join(tmp, "in"))
            raw = pd.read_csv(os.path.join(a.dir, "jobs.csv"), dtype=str, keep_default_na=False)
            raw[raw["closed_on"] <= cut].to_csv(os.path.join(tmp, "in", "jobs.csv"), index=False)
            shutil.copy(os.path.join(a.dir, "models.csv"), os.path.join(tmp, "in"))
            run([a.program, "ingest", os.path.join(tmp, "in", "jobs.csv"), os.path.join(tmp, "in", "models.csv"), "--store", store])
            run([a.program, "analyse", "--store", store])
        with ThreadPoolExecutor(2) as pool:
            answers = dict(zip(ids, pool.map(lambda j: ask(a.program, store, bayes[j], a.one), ids)))
        read = {}
        try:      # what the program read of the training rows' symptoms, for a regression on just that
            for ln in run([a.program, "query", "--store", store, "SELECT job_id, symptoms FROM jobs", "--json"]).splitlines():
                r = json.loads(ln)
                s = r.get("symptoms")
                read[r["job_id"]] = "; ".join(map(str, s)) if isinstance(s, list) else (s or "").replace(",", ";")
        except SystemExit:
            read = None
    finally:
        shutil.rmtree(tmp, ignore_errors=True)

    bad = [j for j in ids if "error" in answers[j]]
    for j in bad[:3]:
        print("no answer:", answers[j]["cmd"], answers[j]["error"], file=sys.stderr)
    fc, iv = {}, {}
    for j in ids:
        if j in bad:
            k = parts[truth[j][0]]
            fc[j], iv[j] = {c: 1 / len(k) for c in k}, {}
        else:
            fc[j], iv[j] = read_answer(answers[j], parts[truth[j][0]])
    if a.dump:
        with open(a.dump, "w") as f:
            for j in ids:
                f.write(json.dumps(dict(job_id=j, component=truth[j][1], p=fc[j], bayes=bayes[j]["p"], symptoms=bayes[j]["symptoms"],
                                        understood=answers[j].get("asked", {}).get("symptoms"))) + "\n")

    named = train[train["c"] != ""]
    rng = np.random.default_rng(0)
    rows = {"the program": fc, "base frequency": bl.base(named, late)}
    if read is not None and any(read.values()):
        tr = named.assign(said=[read.get(j, "") for j in named["job_id"]])
        te = late.assign(said=["; ".join(map(str, answers[j].get("asked", {}).get("symptoms") or [])) for j in ids])
        rows["logistic, symptoms the program read"] = bl.logistic(tr, te, platform, "phrases", rng)
    rows["logistic, phrases"] = bl.logistic(named, late, platform, "phrases", rng)
    rows["logistic, words and pairs"] = bl.logistic(named, late, platform, "words", rng)
    rows["the law itself"] = {j: bayes[j]["p"] for j in ids}

    M = {k: bl.measures(v, truth, parts, ids) for k, v in rows.items()}
    said = np.array([bayes[j].get("said", len(bayes[j]["symptoms"])) for j in ids])
    groups = [(str(k), said == k) for k in (1, 2, 3)] + [("4+", said >= 4)]

    def kl(v):
        return np.mean([sum(q * np.log(q / max(v[j].get(c, 0), 1e-6)) for c, q in bayes[j]["p"].items() if q > 0) for j in ids])

    table = []
    own = M["the program"]["each"]
    for k, m in M.items():
        diff = m["each"] - own
        table.append([k, f"{m['loss']:.3f}", "" if k == "the program" else f"{diff.mean():+.3f} ± {diff.std() / len(ids) ** .5:.3f}", f"{max(0, kl(rows[k])):.3f}", f"{m['top1']:.3f}",
                      f"{m['top3']:.3f}", f"{m['ece']:.4f}", f"{m['top_ece']:.3f}"] + [f"{m['each'][g].mean():.3f}" for _, g in groups if g.any()])
    head = ["forecast", "log loss", "less the program's", "divergence from the law", "top 1", "top 3", "ECE", "top-label ECE"] + [f"loss, {n} said (n={int(g.sum())})" for n, g in groups if g.any()]
    title = f"{len(ids)} jobs after {cut}, {len(named)} named training jobs, {len(bad)} unanswered"
    show(title, head, table, a.markdown)

    cov = []
    for nm, pick in [("printed estimate > 1 %", lambda j, c: fc[j][c] > .01), ("law's probability > 1 %", lambda j, c: bayes[j]["p"].get(c, 0) > .01),
                     ("the first named", lambda j, c: c == max(fc[j], key=fc[j].get)), ("> 1 %, nothing unread", lambda j, c: fc[j][c] > .01 and not answers[j].get("notices"))]:
        x = [(lo, hi, bayes[j]["p"][c]) for j in ids for c, (lo, hi) in iv[j].items() if c in bayes[j]["p"] and pick(j, c)]
        if x:
            x = np.array(x)
            cov.append([nm, len(x), f"{np.mean((x[:, 0] <= x[:, 2]) & (x[:, 2] <= x[:, 1])):.3f}", f"{np.mean(x[:, 2] < x[:, 0]):.3f}", f"{np.mean(x[:, 2] > x[:, 1]):.3f}", f"{np.mean(x[:, 1] - x[:, 0]):.3f}"])
    show("Printed intervals against the law's probability", ["of", "n", "holds it", "law below", "law above", "mean width"], cov, a.markdown)

    got = [len(answers[j].get("asked", {}).get("symptoms") or []) for j in ids]
    given = [len(bayes[j]["symptoms"]) for j in ids]
    alien = np.mean([sum(q for c, q in fc[j].items() if c not in bayes[j]["p"]) for j in ids])
    print(f"\nsymptoms understood: {sum(got)} of {sum(given)} given; jobs with none understood: {np.mean([g == 0 for g in got]):.3f}; "
          f"mass on parts that never fail here: {alien:.4f}")


def show(title, head, rows, md):
    print(f"\n{'### ' if md else ''}{title}\n")
    rows = [[str(c) for c in r] for r in rows]
    if md:
        print("| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
        for r in rows:
            print("| " + " | ".join(r) + " |")
        return
    w = [max(len(x[i]) for x in rows + [head]) for i in range(len(head))]
    for r in [head] + rows:
        print("  ".join(c.ljust(w[i]) if i == 0 else c.rjust(w[i]) for i, c in enumerate(r)))


if __name__ == "__main__":
    main()
