"""Does a diagnosis written after opening get in as a symptom?   check_leak.py PROGRAM DIR
Ingests DIR's records with and without fault_text and compares the symptoms stored and the program's own skill."""
import json, os, sys, tempfile, shutil
import pandas as pd
from score import run
prog, D = sys.argv[1:3]
raw = pd.read_csv(D + "/jobs.csv", dtype=str, keep_default_na=False)
got = {}
for k in ("with", "without"):
    t = tempfile.mkdtemp()
    d = raw.copy()
    if k == "without":
        d["fault_text"] = ""
    d.to_csv(t + "/jobs.csv", index=False)
    shutil.copy(D + "/models.csv", t)
    run([prog, "ingest", t + "/jobs.csv", t + "/models.csv", "--store", t + "/s"])
    run([prog, "analyse", "--store", t + "/s"])
    q = [json.loads(x) for x in run([prog, "query", "--store", t + "/s", "SELECT job_id, symptoms FROM jobs", "--json"]).splitlines()]
    got[k] = {r["job_id"]: str(r["symptoms"]) for r in q}
    sk = json.loads(run([prog, "odds", "--store", t + "/s", "--skill", "--json"]))
    for s in sk:
        if s["category"] is None and s["statistic"] in ("log_loss", "top_1", "top_3", "expected_calibration_error"):
            print(k, s["predictor"], s["statistic"], s["jobs"], s["training_jobs"], {a: round(b, 4) for a, b in s["estimated"].get("Ok", {}).items()} or s["estimated"])
    shutil.rmtree(t)
ft = set(raw.loc[raw["fault_text"] != "", "job_id"])
ch = [j for j in got["with"] if got["with"][j] != got["without"].get(j)]
print(f"jobs whose symptoms differ: {len(ch)} of {len(ft)} with fault_text")
for j in ch[:8]:
    print(j, got["without"][j], "->", got["with"][j], "|", raw.loc[raw["job_id"] == j, "fault_text"].iloc[0])
