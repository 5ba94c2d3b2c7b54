"""Is the law's own probability calibrated on its own jobs?  check_bayes.py DIR"""
import json, sys
import numpy as np
L = [json.loads(l) for l in open(sys.argv[1] + "/bayes.jsonl")]
p = np.array([max(l["p"].values()) for l in L]); h = np.array([max(l["p"], key=l["p"].get) == l["component"] for l in L])
ent = np.array([-sum(v * np.log(max(v, 1e-12)) for v in l["p"].values()) for l in L])
loss = np.array([-np.log(max(l["p"][l["component"]], 1e-9)) for l in L])
print(len(L), "log loss %.4f, its expectation %.4f (se %.4f); top-1 %.4f, expected %.4f (se %.4f)" % (
    loss.mean(), ent.mean(), (loss - ent).std() / len(L) ** .5, h.mean(), p.mean(), np.sqrt((p * (1 - p)).mean() / len(L))))
