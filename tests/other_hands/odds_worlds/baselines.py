"""Comparison forecasts trained on the same rows, and the measures."""
import re
import warnings

import numpy as np
import pandas as pd
from scipy import sparse
from sklearn.feature_extraction.text import CountVectorizer
from sklearn.linear_model import LogisticRegression

warnings.filterwarnings("ignore")
EDGES = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 99]
CGRID = [.05, .15, .4, 1.0, 2.5]


def key(x):
    return re.sub(r"[\s\-]+", "_", x.strip().lower())


def load(path):
    d = pd.read_csv(path, dtype=str, keep_default_na=False)
    d["c"] = d["component"].map(key)
    # what the customer said: the symptoms, or a fault text that says it is the customer's
    said = d["symptoms"].where(d["symptoms"] != "", d["fault_text"].where(d["fault_text"].str.lower().str.startswith("customer says"), ""))
    d["said"] = said.str.replace(r"^\s*customer says:?\s*", "", regex=True, case=False)
    bought = pd.to_datetime(d["bought_on"], errors="coerce")
    age = pd.to_numeric(d["age_years"], errors="coerce")
    d["age"] = age.fillna((pd.to_datetime(d["closed_on"]) - bought).dt.days / 365.25)
    return d


def split(d):
    last = pd.to_datetime(d["closed_on"]).max()
    cut = (last - pd.DateOffset(years=1)).strftime("%Y-%m-%d")
    return d[d["closed_on"] <= cut], d[d["closed_on"] > cut], cut


def phrases(s):
    return [p.strip().lower() for p in s.split(";") if p.strip()]


def fixed(d, platform, model_levels, plat_levels, brand_levels):
    """one-hot of model, platform, brand and age band"""
    n = len(d)
    pl = d["model"].map(platform).fillna("")
    band = np.where(d["age"].isna(), -1, np.digitize(d["age"].fillna(0), EDGES))
    blocks = []
    for vals, levels in ((d["model"], model_levels), (pl, plat_levels), (d["brand"], brand_levels)):
        blocks.append(np.array([[v == lv for lv in levels] for v in vals], dtype=float).reshape(n, len(levels)))
    blocks.append(np.array([[b == k for k in [-1] + list(range(1, len(EDGES)))] for b in band], dtype=float))
    blocks.append(d["age"].fillna(6).to_numpy()[:, None] / 10)
    return sparse.csr_matrix(np.hstack(blocks))


def logistic(train, test, platform, kind, rng):
    """P(component) for test rows: {row position: {component: p}}; one regression for each category."""
    out = {}
    for cat in sorted(train["category"].unique()):
        tr, te = train[train["category"] == cat], test[test["category"] == cat]
        if not len(te):
            continue
        lv = [sorted(x for x in s.unique() if x) for s in (tr["model"], tr["model"].map(platform).fillna(""), tr["brand"])]
        if kind == "phrases":
            vec = CountVectorizer(analyzer=phrases, min_df=2, binary=True)
        else:
            vec = CountVectorizer(ngram_range=(1, 2), min_df=2, binary=True, token_pattern=r"(?u)\b\w+\b")
        X = sparse.hstack([fixed(tr, platform, *lv), vec.fit_transform(tr["said"])]).tocsr()
        T = sparse.hstack([fixed(te, platform, *lv), vec.transform(te["said"])]).tocsr()
        y = tr["c"].to_numpy()
        inner = rng.random(len(y)) < .75
        best = (np.inf, 1.0)
        for C in CGRID:
            m = LogisticRegression(C=C, max_iter=200, tol=1e-3).fit(X[inner], y[inner])
            q = m.predict_proba(X[~inner])
            pos = {k: i for i, k in enumerate(m.classes_)}
            ll = np.mean([-np.log(max(q[i, pos[k]], 1e-6)) if k in pos else 13.8 for i, k in enumerate(y[~inner])])
            best = min(best, (ll, C))
        m = LogisticRegression(C=best[1], max_iter=500, tol=3e-4).fit(X, y)
        for jid, q in zip(te["job_id"], m.predict_proba(T)):
            out[jid] = dict(zip(m.classes_, q))
    return out


def base(train, test):
    out = {}
    tab = {c: g["c"].value_counts(normalize=True).to_dict() for c, g in train.groupby("category")}
    for jid, c in zip(test["job_id"], test["category"]):
        out[jid] = tab[c]
    return out


def measures(fc, truth, comps, ids):
    """fc: job -> {component: p}; truth: job -> (category, component); comps: category -> list of parts"""
    loss, top1, top3, pp, hh, tp = [], [], [], [], [], []
    for j in ids:
        cat, t = truth[j]
        p = fc[j]
        loss.append(-np.log(min(1, max(p.get(t, 0), 1e-6))))
        order = sorted(p, key=lambda k: -p[k])
        top1.append(order[0] == t)
        top3.append(t in order[:3])
        tp.append(p[order[0]])
        for k, v in p.items():
            if v > .01:
                pp.append(v)
                hh.append(k == t)
    return dict(n=len(ids), loss=np.mean(loss), top1=np.mean(top1), top3=np.mean(top3), ece=ece(pp, hh), top_ece=ece(tp, top1),
                each=np.array(loss))


def ece(p, h, bins=10):
    p, h = np.asarray(p, float), np.asarray(h, float)
    o = np.argsort(p, kind="stable")
    return float(sum(abs(p[b].mean() - h[b].mean()) * len(b) for b in np.array_split(o, bins) if len(b)) / len(p))
