#!/usr/bin/env python3
"""A large invented world of appliance repair with a known law, for scoring failure statistics.

    python world.py --seed N --out DIR [--scale 1.0] [--trend 1.05] [--mnar] [--without GAPS] [--replicates 80]

Writes three shops' records (DIR/north, DIR/south, DIR/hill: jobs, machines, parts, findings, mapping.toml),
DIR/models.csv and DIR/truth.json.  Every truth is an expectation under the law below, for the same models and the
same planned stays of the same machines: frailty, usage and all faults are drawn anew in each replicate.
All brands and models are invented.
"""
import argparse, json, os, time
import numpy as np
import pandas as pd

Y = 365.25
EPOCH = np.datetime64("2015-07-01")
CUT = 3652                      # 2025-06-30, the last day of records
TAIL = 400                      # days simulated beyond the cut-off, for returns that nobody waited for
BIN = 1 / 12                    # age bins in years, for curves
NBIN = 12 * 30
BANDS = [(i, i + 1) for i in range(10)] + [(10, 12), (12, 15), (15, None)]
SHOPS = ["north", "south", "hill"]
REC = {"north": (1096, CUT), "south": (0, CUT), "hill": (0, 2191)}   # span with job records, days
CATS = ["washing_machine", "dishwasher", "tumble_dryer", "fridge_freezer"]
# component: Weibull shape, scale in years, recall probability, logit of condemning at age 8, labour minutes (median), parts (median)
LAW = {
    "washing_machine": {
        "drum_bearings": (2.5, 15, 0.05, -1.6, 130, 60), "door_lock": (1.0, 24, 0.06, -4.0, 40, 32),
        "drain_pump": (1.3, 19, 0.08, -4.0, 45, 38), "motor": (1.2, 55, 0.06, -1.6, 75, 120),
        "carbon_brushes": (2.2, 13, 0.07, -4.2, 50, 18), "motor_control_board": (0.9, 40, 0.12, -2.0, 60, 140),
        "heating_element": (1.6, 21, 0.04, -4.0, 55, 35), "drive_belt": (1.8, 22, 0.06, -4.5, 35, 20),
        "pressure_switch": (1.0, 55, 0.10, -4.0, 40, 30), "inlet_valve": (1.0, 45, 0.06, -4.0, 40, 28),
        "shock_absorbers": (2.0, 20, 0.05, -3.2, 70, 45), "tub": (1.5, 60, 0.05, -0.6, 150, 160)},
    "dishwasher": {
        "wash_pump": (1.8, 15, 0.07, -2.2, 80, 110), "drain_pump": (1.2, 19, 0.08, -4.0, 45, 36),
        "heating_element": (1.5, 17, 0.05, -3.2, 60, 55), "door_lock": (1.0, 26, 0.06, -4.2, 40, 30),
        "inlet_valve": (1.0, 26, 0.06, -4.0, 40, 28), "spray_arm": (1.3, 26, 0.04, -4.8, 25, 22)},
    "tumble_dryer": {
        "dryer_belt": (2.0, 14, 0.06, -4.2, 50, 18), "dryer_heater": (1.4, 16, 0.06, -3.4, 65, 60),
        "thermal_cutout": (1.0, 18, 0.12, -4.2, 40, 20), "drum_rollers": (2.2, 16, 0.04, -3.6, 80, 30),
        "door_switch": (1.0, 28, 0.06, -4.5, 30, 15), "motor": (1.3, 40, 0.06, -1.5, 85, 115)},
    "fridge_freezer": {
        "compressor": (2.2, 19, 0.05, -0.4, 150, 190), "thermostat": (1.1, 14, 0.09, -3.2, 55, 40),
        "evaporator_fan": (1.4, 15, 0.07, -3.0, 60, 48), "defrost_heater": (1.2, 18, 0.07, -2.8, 75, 50)}}
INSIDE_TUB = {"drum_bearings"}                  # of the components used here
# primary -> consequential, probability
CASCADE = {
    "washing_machine": {"drum_bearings": ("drive_belt", 0.12), "carbon_brushes": ("motor", 0.15),
                        "shock_absorbers": ("tub", 0.08), "motor": ("motor_control_board", 0.20)},
    "dishwasher": {"wash_pump": ("heating_element", 0.10)},
    "tumble_dryer": {"drum_rollers": ("dryer_belt", 0.25), "dryer_heater": ("thermal_cutout", 0.30)},
    "fridge_freezer": {"evaporator_fan": ("defrost_heater", 0.12)}}
PLATFORMS = {"washing_machine": 5, "dishwasher": 3, "tumble_dryer": 3, "fridge_freezer": 3}
SHORT = {"washing_machine": "WA", "dishwasher": "DI", "tumble_dryer": "TU", "fridge_freezer": "FR"}
BRANDS = ["Wessamarn", "Jaskelind", "Vurndahl", "Zemblick", "Ghelmurn", "Ombraskel", "Yostrevik", "Krantovel"]
P_NAMED, P_FINDINGS, P_NO_BOOKING, P_NO_PARTS_COST = 0.70, 0.60, 0.20, 0.10
P_RENEW, NFF_RATE, RECALL_MEAN_DAYS = 0.70, 0.03, 40.0
WALK_SEEN = 0.5
FRAILTY_VAR, USAGE_SD, PLAT_SD, MODEL_SD, PLATCOMP_SD = 0.5, 0.3, 0.2, 0.22, 0.3
# orders: share of repaired named jobs, law of the wait in working days by source
P_ORDER, P_RESTOCK = 0.30, 0.10
WAIT = {"new-original": (np.log(7.5), 0.75, 0.06), "new-pattern": (np.log(4.5), 0.70, 0.03)}   # log-median, sd, P(unavailable)
P_PATTERN = 0.35
LIFE = 0.62                     # all scales of the table above times this
REPAIRED, CONDEMNED, DECLINED, NFF, UNKNOWN, ELSEWHERE = range(6)
OUT = ["repaired", "condemned", "declined", "no_fault_found", "unknown"]

COMPS = sorted({c for k in LAW.values() for c in k})
CID = {c: i for i, c in enumerate(COMPS)}
NC = max(len(v) for v in LAW.values())          # columns for components; column NC is the false alarm
GID = np.full((4, NC + 1), -1)
PAR = np.full((4, NC + 1, 6), np.nan)
for ci, cat in enumerate(CATS):
    for j, (c, p) in enumerate(LAW[cat].items()):
        GID[ci, j] = CID[c]; PAR[ci, j] = p; PAR[ci, j, 1] *= LIFE
    PAR[ci, NC] = (1.0, 1 / NFF_RATE, 0, -99, 20, 0)
NG = len(COMPS)
INSIDE = np.array([c in INSIDE_TUB for c in COMPS])


def make_world(seed, scale, mnar, trend, off=frozenset()):
    """What stays fixed over the replicates: models, their effects, machines and planned stays."""
    r = np.random.default_rng([seed, 1])
    w = {"mnar": mnar, "trend": trend, "off": off}
    models = []
    eff = []
    letters = "BCDFGHJKLMNPQRSTVWXZ"
    used = set()
    for ci, cat in enumerate(CATS):
        for p in range(PLATFORMS[cat]):
            plat = f"{SHORT[cat]}-{letters[p]}{10 * (p + 1) + ci}"
            pe = r.normal(0, PLAT_SD)
            pc = r.normal(0, PLATCOMP_SD, NC + 1); pc[NC] = 0
            sealed = cat == "washing_machine" and p % 2 == 0
            brushed = cat == "washing_machine" and p in (0, 1, 3)
            pb = r.choice(len(BRANDS), 3, replace=False)
            for k in range(3):
                while True:
                    name = f"{SHORT[cat][0]}{letters[r.integers(20)]}{letters[r.integers(20)]}{r.integers(100, 999)}"
                    if name not in used: break
                used.add(name)
                first = -5800 if k == 0 and p < 2 else int(r.integers(-4300, 300))
                models.append(dict(cat=ci, platform=plat, brand=BRANDS[pb[k]], model=name, sealed=sealed, brushed=brushed,
                                   drum_known=cat == "washing_machine" and r.random() < 0.85, motor_known=r.random() < 0.85,
                                   first=first, price=float(round(np.exp(r.normal(6.0, 0.3)), 0)),
                                   pricef=float(np.exp(r.normal(0, 0.15))), pop=float(r.gamma(2.0)) + 0.3))
                eff.append(np.exp(pe + r.normal(0, MODEL_SD) + pc - (PLAT_SD**2 + MODEL_SD**2 + PLATCOMP_SD**2) / 2))
                eff[-1][NC] = 1.0
    m = pd.DataFrame(models)
    w["models"] = m; w["eff"] = np.array(eff)
    w["platforms"] = list(dict.fromkeys(m.platform))
    w["mplat"] = m.platform.map({p: i for i, p in enumerate(w["platforms"])}).to_numpy()
    w["mcat"] = m.cat.to_numpy()
    # models with any chance to have the column, in truth
    has = (GID[w["mcat"]] >= 0)
    for i in range(len(m)):
        if m.cat[i] == 0 and not m.brushed[i]:
            has[i, list(LAW["washing_machine"]).index("carbon_brushes")] = False
    has[:, NC] = True
    w["has"] = has
    # by the catalogue: unknown traits count as having the component
    cat_has = (GID[w["mcat"]] >= 0)
    for i in range(len(m)):
        if m.cat[i] == 0 and m.motor_known[i] and not m.brushed[i]:
            cat_has[i, list(LAW["washing_machine"]).index("carbon_brushes")] = False
    w["cat_has"] = cat_has
    # naming probability by component
    if mnar:
        lo = r.normal(np.log(.7 / .3), 0.9, NG)
        w["pname"] = 1 / (1 + np.exp(-lo))
    else:
        w["pname"] = np.full(NG, 1.0 if "names" in off else P_NAMED)
    # machines: the roster first, then those that walk in
    n = int(round(12000 * scale)); nw = int(round(4200 * scale))
    N = n + nw
    catp = np.array([0.42, 0.22, 0.18, 0.18])
    pop = m["pop"].to_numpy()
    pm = np.zeros(len(m))
    for ci in range(4):
        s = w["mcat"] == ci; pm[s] = catp[ci] * pop[s] / pop[s].sum()
    shop = r.choice(3, N, p=[0.44, 0.36, 0.20])
    rend = np.array([REC[s][1] for s in SHOPS])[shop]
    entry = np.where(r.random(N) < 0.25, r.uniform(0, 180, N), r.uniform(0, rend - 60, N)).astype(int)
    new = (r.random(N) < 0.55) | ("used" in off)
    eage = np.where(new, r.uniform(0, 15, N), np.minimum(r.gamma(2.2, 2.3 * Y, N) + 30, 15 * Y)).astype(int)
    birth = entry - eage
    left1 = entry + np.maximum(20, r.exponential(9 * Y, N)).astype(int)
    back = (left1 < rend - 500) & (r.random(N) < (0.0 if "stays" in off else 0.185))
    e2 = left1 + r.integers(90, 700, N)
    left2 = e2 + np.maximum(20, r.exponential(9 * Y, N)).astype(int)
    BIG = 10**6
    # walk-ins: born any time, no stays
    wi = np.arange(N) >= n
    birth = np.where(wi, r.integers(-int(11 * Y), CUT - 300, N), birth)
    # a machine is of a model that was on sale when it was new
    W = pm[None, :] * (m["first"].to_numpy()[None, :] <= birth[:, None])
    for ci in range(4):                             # the kinds keep their shares, whatever is on sale
        k = w["mcat"] == ci; W[:, k] *= (catp[ci] / np.maximum(W[:, k].sum(1), 1e-300))[:, None]
    mod = (np.cumsum(W, 1) < (r.random(N) * W.sum(1))[:, None]).sum(1)
    entry = np.where(wi, BIG, entry); left1 = np.where(wi, BIG, left1)
    e2 = np.where(back & ~wi, e2, BIG); left2 = np.where(back & ~wi, left2, BIG)
    w.update(n=n, N=N, mod=mod, shop=shop, birth=birth, s1=entry, e1=left1, s2=e2, e2=left2, walk=wi,
             rec0=np.array([REC[s][0] for s in SHOPS])[shop], rec1=rend,
             clock=(r.random(N) >= (0.0 if "clock" in off else 0.25)) & ~wi, mcatm=w["mcat"][mod])
    return w


def logistic(x): return 1 / (1 + np.exp(-x))


def gfac(w, t):
    """calendar factor of the hazard, at day t"""
    return w["trend"] ** (np.clip(t, 0, None) / Y)


def simulate(w, r):
    """One history of all machines, from the day each was new to TAIL days after the cut-off."""
    N = w["N"]; mod = w["mod"]; cat = w["mcatm"]
    Z = r.gamma(1 / FRAILTY_VAR, FRAILTY_VAR, N)
    U = np.exp(r.normal(0, USAGE_SD, N) - USAGE_SD**2 / 2)
    mult = w["eff"][mod] * (Z * U)[:, None]
    mult[:, NC] = U
    gmax = max(1.0, w["trend"] ** ((CUT + TAIL) / Y)); tr = w["trend"] != 1.0
    mult *= gmax
    mult[~w["has"][mod]] = 0
    beta = PAR[cat, :, 0]; eta = PAR[cat, :, 1] * Y
    T_END = CUT + TAIL
    birth = w["birth"].astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        nxt = birth[:, None] + np.where(mult > 0, eta * (r.exponential(size=mult.shape) / mult) ** (1 / beta), np.inf)
    nxt = np.where(np.isnan(nxt), np.inf, nxt)
    bad = np.full_like(nxt, np.inf); new = np.repeat(birth[:, None], NC + 1, 1)
    idx = np.arange(N)
    out = []
    while len(idx):
        both = np.minimum(nxt, bad)
        j = both.argmin(1); ar = np.arange(len(idx)); t = both[ar, j]
        keep = t < T_END
        if not keep.all():
            idx = idx[keep]; nxt = nxt[keep]; bad = bad[keep]; new = new[keep]; j = j[keep]; t = t[keep]
            beta = beta[keep]; eta = eta[keep]; mult = mult[keep]
            ar = np.arange(len(idx))
            if not len(idx): break
        n = len(idx)
        isbad = bad[ar, j] <= nxt[ar, j]
        real = isbad | (r.random(n) < gfac(w, t) / gmax) if tr else np.ones(n, bool)
        c = cat[idx]; par = PAR[c, j]; nff = j == NC
        age = (t - birth[idx]) / Y
        walk = w["walk"][idx]
        stay = ((t >= w["s1"][idx]) & (t < w["e1"][idx])) | ((t >= w["s2"][idx]) & (t < w["e2"][idx]))
        seen = np.where(walk, r.random(n) < WALK_SEEN, stay)
        inside = INSIDE[GID[c, j]] & w["models"].sealed.to_numpy()[mod[idx]] & ~nff
        u = r.random(n)
        pc = logistic(par[:, 3] + 0.16 * (age - 8) + 1.9 * inside)
        pd_ = np.clip(0.05 + 0.006 * age, 0, 0.2)
        o = np.where(u < pc, CONDEMNED, np.where(u < pc + (1 - pc) * pd_, DECLINED, REPAIRED))
        o = np.where(nff, NFF, np.where(seen, o, ELSEWHERE))
        # the order, if a part is ordered: its wait is part of the time to close
        named = (r.random(n) < w["pname"][GID[c, j]]) & ~nff
        order = (o == REPAIRED) & (r.random(n) < P_ORDER)
        pat = r.random(n) < P_PATTERN
        lm = np.where(pat, WAIT["new-pattern"][0], WAIT["new-original"][0]); ls = np.where(pat, WAIT["new-pattern"][1], WAIT["new-original"][1])
        wait = np.ceil(np.exp(lm + ls * r.normal(size=n)))
        dur = 1 + np.floor(r.gamma(1.2, 3.0, n)) + np.where(order, np.ceil(wait * 7 / 5), 0)
        tc = np.floor(t) + dur
        fin = real & (o == CONDEMNED)
        rec = seen & (tc >= w["rec0"][idx]) & (tc <= w["rec1"][idx]) & (t < CUT + 1)
        watch = stay & ~walk & (t >= w["rec0"][idx]) & (t < w["rec1"][idx] + 1)
        k = np.flatnonzero(real)
        out.append((idx[k], j[k], np.floor(t[k]), tc[k], o[k], named[k], rec[k], watch[k], order[k], pat[k], wait[k], isbad[k]))
        # what comes next: the machine's clocks stand still while it is in repair
        d = np.where(real, tc - t, 0.0)
        renew = real & ~nff & (r.random(n) < P_RENEW)
        nxt += d[:, None]; bad += d[:, None]; new += d[:, None]
        tn = t + d
        new[ar, j] = np.where(renew, tn, new[ar, j])
        b, e, mm = beta[ar, j], eta[ar, j], mult[ar, j]
        nxt[ar, j] = new[ar, j] + e * (((tn - new[ar, j]) / e) ** b + r.exponential(size=n) / mm) ** (1 / b)
        botched = real & ((o == REPAIRED) | (o == ELSEWHERE)) & (r.random(n) < par[:, 2])
        bad[ar, j] = np.where(botched, tn + 1 + r.exponential(RECALL_MEAN_DAYS, n), np.where(real, np.inf, bad[ar, j]))
        if fin.any():
            a = ~fin
            idx = idx[a]; nxt = nxt[a]; bad = bad[a]; new = new[a]; beta = beta[a]; eta = eta[a]; mult = mult[a]
    col = [np.concatenate(x) for x in zip(*out)]
    ev = dict(zip("m j t tc o named rec watch order pat wait bad".split(), col))
    s = np.lexsort((ev["t"], ev["m"]))
    ev = {k: v[s] for k, v in ev.items()}
    ev["g"] = GID[w["mcatm"][ev["m"]], ev["j"]]
    ev["mod"] = mod[ev["m"]]
    ev["age"] = (ev["t"] - w["birth"][ev["m"]]) / Y
    # costs
    K = len(ev["m"]); par = PAR[w["mcatm"][ev["m"]], ev["j"]]
    mins = np.exp(np.log(par[:, 4]) + 0.35 * r.normal(size=K))
    mins = np.where((ev["o"] == REPAIRED), mins, 15 + 10 * r.random(K))
    ev["mins"] = np.round(mins); ev["labour"] = np.round(ev["mins"] * 0.9, 2)
    ppf = w["models"].pricef.to_numpy()[ev["mod"]]
    with np.errstate(divide="ignore"):
        parts = np.exp(np.log(np.maximum(par[:, 5], .1)) + 0.5 * r.normal(size=K)) * ppf
    free = r.random(K) < 0.12
    ev["parts"] = np.where((ev["o"] == REPAIRED) & ~(free & ~ev["order"]), np.round(parts, 2), 0.0)
    ev["charged"] = np.round((ev["labour"] + ev["parts"]) * 1.25 + 25 * np.exp(0.3 * r.normal(size=K)), 2)
    ev["unk"] = (r.random(K) < 0.03) & ((ev["o"] == REPAIRED) | (ev["o"] == DECLINED))
    return ev


# ---------------------------------------------------------------------------------------------------- truth

def hist_time(s, e, g, ng):
    """time spent in each age bin by intervals [s, e) (in bins), by group g: array ng x NBIN"""
    s = np.clip(s, 0, NBIN); e = np.clip(e, 0, NBIN)
    def cum(x):
        f = np.floor(x).astype(int); L = NBIN + 2
        n = np.bincount(g * L + f + 1, minlength=ng * L)[:ng * L].reshape(ng, L).cumsum(1)
        sm = np.bincount(g * L + f + 1, weights=x, minlength=ng * L)[:ng * L].reshape(ng, L).cumsum(1)
        k = np.arange(L)
        return (k * n - sm)[:, :NBIN + 1]      # sum of (k - x)+ at the whole k
    return np.diff(cum(s) - cum(e), axis=1)


class Acc:
    def __init__(self, w):
        self.w = w; self.M = len(w["models"]); self.P = len(w["platforms"])
        M, P = self.M, self.P
        z = np.zeros
        self.expo = z((M, NBIN)); self.expo_all = z(M)
        self.ev = z((M, NG, NBIN)); self.evn = z((M, NG, NBIN)); self.ev_all = z((M, NG)); self.evn_all = z((M, NG))
        self.repeat = z((M, NG))
        self.share = z((M, NG)); self.sharen = z((M, NG)); self.find = z(M); self.cons = z((M, NG))
        self.out = z((M, 5)); self.seal = z((M, 2)); self.sealn = z((M, 2)); self.condc = z((M, NG)); self.jobs_named_out = z((M, NG, 5))
        self.wo = z((M, 2, 14, NG, 2))
        self.rc_n = z((M, NG, 2)); self.rc = z((M, NG, 3, 2, 2))
        self.lf_d = z((3, NG + 1, P, NBIN)); self.lf_r = z((3, NG + 1, P, NBIN)); self.ci_d = z((3, NG, P, NBIN))
        self.yr_e = z((10, NG, P, NBIN // 12)); self.yr_x = z((10, P, NBIN // 12))
        self.cost = []; self.reps = 0; self.cy = z((5, 3, P, 10))

    def add(self, ev):
        w = self.w; M, P = self.M, self.P; mplat = w["mplat"]
        self.reps += 1
        cond = np.full(w["N"], 10**7, float)
        k = ev["o"] == CONDEMNED
        cond[ev["m"][k]] = ev["tc"][k]
        # watched time
        n = w["n"]
        mm = np.concatenate([np.arange(n), np.arange(n)])
        s = np.concatenate([w["s1"][:n], w["s2"][:n]]); e = np.concatenate([w["e1"][:n], w["e2"][:n]])
        s = np.maximum(s, w["rec0"][mm]); e = np.minimum(np.minimum(e, w["rec1"][mm] + 1), cond[mm])
        ok = e > s
        mm, s, e = mm[ok], s[ok].astype(float), e[ok].astype(float)
        self.expo_all += np.bincount(w["mod"][mm], weights=(e - s) / Y, minlength=M)
        ck = w["clock"][mm]
        km, ks, ke = mm[ck], s[ck], e[ck]
        a0 = (ks - w["birth"][km]) / Y / BIN; a1 = (ke - w["birth"][km]) / Y / BIN
        self.expo += hist_time(a0, a1, w["mod"][km], M) * BIN
        # events
        fault = ev["g"] >= 0
        wa = ev["watch"] & fault
        g, mo = ev["g"], ev["mod"]
        ab = np.minimum((ev["age"] / BIN).astype(int), NBIN - 1)
        def add3(dst, sel):
            dst += np.bincount((mo[sel] * NG + g[sel]) * NBIN + ab[sel], minlength=dst.size).reshape(dst.shape)
        def add2(dst, sel):
            dst += np.bincount(mo[sel] * NG + g[sel], minlength=dst.size).reshape(dst.shape)
        clk = w["clock"][ev["m"]]
        add3(self.ev, wa & clk); add3(self.evn, wa & clk & ev["named"])
        add2(self.ev_all, wa); add2(self.evn_all, wa & ev["named"])
        # yearly
        yb = np.clip(ev["t"] // Y, 0, 9).astype(int); sel = wa & clk
        ai = np.minimum(ab // 12, NBIN // 12 - 1)
        self.yr_e += np.bincount(((yb[sel] * NG + g[sel]) * P + mplat[mo[sel]]) * (NBIN // 12) + ai[sel], minlength=self.yr_e.size).reshape(self.yr_e.shape)
        for yy in range(10):
            lo = np.maximum(ks, yy * Y); hi = np.minimum(ke, (yy + 1) * Y); q = hi > lo
            h = hist_time((lo[q] - w["birth"][km[q]]) / Y / BIN, (hi[q] - w["birth"][km[q]]) / Y / BIN, mplat[w["mod"][km[q]]], P) * BIN
            self.yr_x[yy] += h.reshape(P, NBIN // 12, 12).sum(2)
        # jobs
        job = ev["rec"]
        rf = job & fault
        add2(self.share, rf); add2(self.sharen, rf & ev["named"])
        fn = rf & ev["named"]
        self.find += np.bincount(mo[fn], minlength=M)
        oo = np.where(ev["unk"], UNKNOWN, ev["o"])
        self.out += np.bincount(mo[job] * 5 + oo[job], minlength=M * 5).reshape(M, 5)
        self.jobs_named_out += np.bincount((mo[rf] * NG + g[rf]) * 5 + oo[rf], minlength=M * NG * 5).reshape(M, NG, 5)
        # write-off risk by age band (0 = clock unknown), named
        bs = np.searchsorted([b[0] for b in BANDS], ev["age"], side="right")
        bs = np.where(clk, bs, 0)
        for nm in (0, 1):
            sel = rf & (ev["named"] if nm else True)
            for cd in (0, 1):
                q = sel & ((oo == CONDEMNED) if cd else True)
                self.wo[:, nm, :, :, cd] += np.bincount((mo[q] * 14 + bs[q]) * NG + g[q], minlength=M * 14 * NG).reshape(M, 14, NG)
        # returns
        nx_t = np.append(ev["t"][1:], 0); same_m = np.append(ev["m"][1:] == ev["m"][:-1], False)
        nx_g = np.append(g[1:], -1); nx_named = np.append(ev["named"][1:], False)
        gap = np.where(same_m, nx_t - ev["tc"], 10**6)
        idx = ev["watch"] & ev["rec"] & (oo == REPAIRED) & fault
        for nm in (0, 1):
            q = idx & (ev["named"] if nm else True)
            self.rc_n[:, :, nm] += np.bincount(mo[q] * NG + g[q], minlength=M * NG).reshape(M, NG)
            for hi, h in enumerate((30, 90, 365)):
                for sf in (0, 1):
                    z = q & (gap <= h) & ((nx_g == g) & (nx_named if nm else True) if sf else True)
                    self.rc[:, :, hi, sf, nm] += np.bincount(mo[z] * NG + g[z], minlength=M * NG).reshape(M, NG)
        # life: 0 full knowledge, 1 named and watched only, 2 watched only (what happened out of sight is not known)
        N = w["N"]
        kage = lambda x: (x - w["birth"][km]) / Y / BIN
        pl = mplat[w["mod"][km]]
        chas = w["cat_has"]
        for kind in range(3):
            base = fault if kind == 0 else (wa & ev["named"] if kind == 1 else wa)
            # first fault of any component; for "named", any fault named or not ends the wait
            q = (fault if kind == 0 else wa); q = np.flatnonzero(q)
            fi = np.full(N, np.inf); first = q[np.unique(ev["m"][q], return_index=True)[1]]
            fi[ev["m"][first]] = ev["t"][first]
            en = np.minimum(ke, fi[km]); ok = en > ks
            self.lf_r[kind, NG] += hist_time(kage(ks)[ok], kage(en)[ok], pl[ok], P) * BIN
            f = first[ev["watch"][first] & clk[first]]
            d = np.bincount(mplat[mo[f]] * NBIN + ab[f], minlength=P * NBIN).reshape(P, NBIN)
            self.lf_d[kind, NG] += d
            fc = f if kind != 1 else f[ev["named"][f]]
            self.ci_d[kind] += np.bincount((g[fc] * P + mplat[mo[fc]]) * NBIN + ab[fc], minlength=NG * P * NBIN).reshape(NG, P, NBIN)
            for c in range(NG):
                q = np.flatnonzero(base & (g == c))
                first = q[np.unique(ev["m"][q], return_index=True)[1]]
                fi = np.full(N, np.inf); fi[ev["m"][first]] = ev["t"][first]
                local = GID[w["mcat"]] == c
                hasm = (local & chas).any(1)[w["mod"][km]]
                en = np.minimum(ke, fi[km]); ok = (en > ks) & hasm
                if not ok.any(): continue
                self.lf_r[kind, c] += hist_time(kage(ks)[ok], kage(en)[ok], pl[ok], P) * BIN
                f = first[ev["watch"][first] & clk[first]]
                self.lf_d[kind, c] += np.bincount(mplat[mo[f]] * NBIN + ab[f], minlength=P * NBIN).reshape(P, NBIN)
        # costs
        q = job & fault & (oo == REPAIRED)
        cyr = np.clip(ev["tc"][q] // Y, 0, 9).astype(int); cell = mplat[mo[q]] * 10 + cyr
        for kk, v in enumerate((ev["labour"][q] + ev["parts"][q], ev["labour"][q], ev["parts"][q], ev["charged"][q], ev["mins"][q])):
            for pw in range(3):
                self.cy[kk, pw] += np.bincount(cell, weights=v ** pw, minlength=P * 10).reshape(P, 10)
        self.cost.append(np.rec.fromarrays([mo[q].astype("i2"), g[q].astype("i2"), ev["labour"][q].astype("f4"), ev["parts"][q].astype("f4"),
                                            ev["charged"][q].astype("f4"), ev["mins"][q].astype("f4")], names="mod,g,labour,parts,charged,labour_minutes"))


def truth_rows(acc):
    w = acc.w; M, P = acc.M, acc.P; R = acc.reps
    mcat, mplat, mods = w["mcat"], w["mplat"], w["models"]
    rows = []
    def num(x): return None if x is None or not np.isfinite(x) else float(x)
    def put(table, level, scope, truth, named=None, n=None, **k):
        if truth is None or not np.isfinite(truth): return
        r = {"table": table, "scope_level": level, "scope": scope}
        r.update(k); r["truth"] = num(truth)
        r["truth_named"] = num(named) if named is not None else num(truth)
        if n is not None: r["n"] = round(float(n) / R, 2)
        rows.append(r)
    scopes = [("all", "all", np.ones(M, bool), None)]
    scopes += [("category", c, mcat == i, c) for i, c in enumerate(CATS)]
    scopes += [("platform", p, mplat == i, CATS[mcat[mplat == i][0]]) for i, p in enumerate(w["platforms"])]
    mscopes = [("model", mods.model[i], np.arange(M) == i, CATS[mcat[i]]) for i in range(M)]
    bandbins = [slice(a * 12, NBIN if b is None else b * 12) for a, b in BANDS]
    def comps(cat):
        return [CID[c] for c in LAW[cat]] if cat else list(range(NG))
    hasc = np.zeros((M, NG), bool)
    for i in range(M):
        for j in range(NC):
            if GID[mcat[i], j] >= 0: hasc[i, GID[mcat[i], j]] = w["cat_has"][i, j]
    def div(a, b): return a / b if b > 0 else np.nan
    # failure_rate
    for lv, sc, s, cat in scopes + mscopes:
        A = dict(category=cat)
        put("failure_rate", lv, sc, div(acc.ev_all[s].sum(), acc.expo_all[s].sum()), n=acc.ev_all[s].sum(), component=None, age_from_years=None, age_to_years=None, **A)
        if lv != "model":
            for (a, b), bb in zip(BANDS, bandbins):
                put("failure_rate", lv, sc, div(acc.ev[s][:, :, bb].sum(), acc.expo[s][:, bb].sum()), n=acc.ev[s][:, :, bb].sum(),
                    component=None, age_from_years=a, age_to_years=b, **A)
        if lv == "all" or lv == "model": continue
        for c in comps(cat):
            x = s & hasc[:, c]
            put("failure_rate", lv, sc, div(acc.ev_all[x, c].sum(), acc.expo_all[x].sum()), div(acc.evn_all[x, c].sum(), acc.expo_all[x].sum()),
                n=acc.ev_all[x, c].sum(), component=COMPS[c], age_from_years=None, age_to_years=None, **A)
            if lv == "category":
                for (a, b), bb in zip(BANDS, bandbins):
                    put("failure_rate", lv, sc, div(acc.ev[x, c, bb].sum(), acc.expo[x][:, bb].sum()), div(acc.evn[x, c, bb].sum(), acc.expo[x][:, bb].sum()),
                        n=acc.ev[x, c, bb].sum(), component=COMPS[c], age_from_years=a, age_to_years=b, **A)
    # fault_share
    qcas = np.zeros((M, NG, NG))
    for i in range(M):
        for p, (c, q) in CASCADE[CATS[mcat[i]]].items(): qcas[i, CID[p], CID[c]] = q
    cons = (acc.sharen[:, :, None] * qcas).sum(1)            # findings are kept at random, among named jobs
    for lv, sc, s, cat in scopes:
        for c in comps(cat):
            put("fault_share", lv, sc, div(acc.share[s, c].sum(), acc.share[s].sum()), div(acc.sharen[s, c].sum(), acc.sharen[s].sum()), n=acc.share[s, c].sum(),
                component=COMPS[c], role="primary", statistic="share", category=cat)
            if cons[s, c].sum() > 0:
                put("fault_share", lv, sc, div(cons[s, c].sum(), acc.sharen[s].sum()), n=cons[s, c].sum() * P_FINDINGS,
                    component=COMPS[c], role="consequential", statistic="share", category=cat)
    # outcome
    for lv, sc, s, cat in scopes:
        for o, name in enumerate(OUT):
            put("outcome", lv, sc, div(acc.out[s, o].sum(), acc.out[s].sum()), n=acc.out[s, o].sum(), outcome=name, not_repaired_reason=None, category=cat)
    # sealed_write_off: sealed by the catalogue
    sealed = (mods.sealed & mods.drum_known).to_numpy(); known = mods.drum_known.to_numpy()
    for lv, sc, s, cat in scopes:
        if cat not in (None, "washing_machine"): continue
        cn = acc.jobs_named_out[:, :, CONDEMNED]; cnn = acc.wo[:, 1, :, :, 1].sum(1)
        for st, den in (("of_condemned", s), ("of_condemned_design_known", s & known)):
            d = acc.out[den, CONDEMNED].sum(); x = den & sealed
            put("sealed_write_off", lv, sc, div(cn[x][:, INSIDE].sum(), d), div(cnn[x][:, INSIDE].sum(), d), n=d, statistic=st, component=None, category=cat)
            rows[-1]["truth_share_of_named"] = num(div(cnn[x][:, INSIDE].sum(), cnn[den].sum()))
    # recall
    for lv, sc, s, cat in scopes:
        for c in [None] + (comps(cat) if lv == "category" else []):
            ci = slice(None) if c is None else c
            for hi, h in enumerate((30, 90, 365)):
                for sf in (0, 1):
                    put("recall", lv, sc, div(acc.rc[s][:, ci, hi, sf, 0].sum(), acc.rc_n[s][:, ci, 0].sum()),
                        div(acc.rc[s][:, ci, hi, sf, 1].sum(), acc.rc_n[s][:, ci, 1].sum()), n=acc.rc_n[s][:, ci, 0].sum(),
                        component=None if c is None else COMPS[c], part_source=None, repair_scope=None, horizon_days=h, same_fault=bool(sf), roster_only=True, category=cat)
    # life and recurrence
    lscopes = [("all", "all", np.ones(P, bool), None)] + [("category", c, np.array([CATS[mcat[mplat == i][0]] == c for i in range(P)]), c) for c in CATS]
    lscopes += [("platform", p, np.arange(P) == i, CATS[mcat[mplat == i][0]]) for i, p in enumerate(w["platforms"])]
    def haz(d, r):
        with np.errstate(divide="ignore", invalid="ignore"): return np.where(r > 0, d / r, 0) * BIN
    for lv, sc, p, cat in lscopes:
        cs = [None] + (comps(cat) if cat else [])
        H = [haz(acc.lf_d[k, NG][p].sum(0), acc.lf_r[k, NG][p].sum(0)) for k in range(3)]
        for c in cs:
            ci = NG if c is None else c
            h = [haz(acc.lf_d[k, ci][p].sum(0), acc.lf_r[k, ci][p].sum(0)) for k in range(3)]
            S = [np.exp(-np.cumsum(x)) for x in h]
            for a in range(1, 16):
                b = a * 12 - 1
                n = acc.lf_r[2, ci][p][:, b].sum() / BIN
                put("life", lv, sc, S[0][b], S[1][b], n=n, component=None if c is None else COMPS[c], curve="survival", statistic=None, age_years=a, category=cat)
                rows[-1]["truth_blind"] = num(S[2][b])
                if c is None: rows[-1]["truth_named"] = None
            if c is not None:
                F = []
                for k in range(3):
                    Sa = np.exp(-np.cumsum(H[k])); Sb = np.append(1, Sa[:-1])
                    with np.errstate(divide="ignore", invalid="ignore"):
                        fr = np.where(acc.lf_d[k, NG][p].sum(0) > 0, acc.ci_d[k, c][p].sum(0) / acc.lf_d[k, NG][p].sum(0), 0)
                    F.append(np.cumsum((Sb - Sa) * fr))
                for a in range(1, 16):
                    b = a * 12 - 1
                    put("life", lv, sc, F[0][b], F[1][b], n=acc.lf_r[2, NG][p][:, b].sum() / BIN, component=COMPS[c], curve="cumulative_incidence", statistic=None, age_years=a, category=cat)
                    rows[-1]["truth_blind"] = num(F[2][b])
        mp = p[mplat]
        mcf = np.cumsum(haz(acc.ev[mp].sum((0, 1)), acc.expo[mp].sum(0)))
        for a in range(1, 16):
            put("recurrence", lv, sc, mcf[a * 12 - 1], n=acc.expo[mp][:, a * 12 - 1].sum() / BIN, age_years=a, category=cat)
    # repair_cost
    C = np.concatenate(acc.cost)
    for lv, sc, s, cat in scopes:
        q0 = C[s[C["mod"]]]
        for c in [None] + (comps(cat) if lv == "category" else []):
            q = q0 if c is None else q0[q0["g"] == c]
            if len(q) < 50: continue
            for kind in ("labour", "parts", "total", "charged", "labour_minutes"):
                v = (q["labour"] + q["parts"]) if kind == "total" else q[kind]
                v = v.astype(float)
                for st, val in (("mean", v.mean()), ("median", np.median(v)), ("p90", np.quantile(v, .9))):
                    put("repair_cost", lv, sc, val, n=len(q), component=None if c is None else COMPS[c], age_from_years=None, age_to_years=None, cost=kind, statistic=st, category=cat)
    # cascade: at scope all, a pair may be of several categories
    for cat in CATS:
        for p, (c, q) in CASCADE[cat].items():
            ci = CATS.index(cat)
            put("cascade", "category", cat, q, n=acc.sharen[mcat == ci, CID[p]].sum() * P_FINDINGS, component=p, consequential_component=c, category=cat)
            tot = acc.sharen[:, CID[p]].sum(); put("cascade", "all", "all", q * acc.sharen[mcat == ci, CID[p]].sum() / tot, n=tot * P_FINDINGS, component=p, consequential_component=c, category=None)
            for i, pl in enumerate(w["platforms"]):
                x = mplat == i
                if mcat[x][0] == ci and acc.sharen[x, CID[p]].sum() > 0:
                    put("cascade", "platform", pl, q, n=acc.sharen[x, CID[p]].sum() * P_FINDINGS, component=p, consequential_component=c, category=cat)
    # part_supply: the wait has one law per source, whatever the part
    from scipy.stats import norm
    for cat in ("washing_machine", "dishwasher", "fridge_freezer"):
        for src, (lm, ls, u) in WAIT.items():
            late = float(norm.sf((np.log(15) - lm) / ls))
            med = float(np.ceil(np.exp(lm))); p90 = float(np.ceil(np.exp(lm + ls * norm.ppf(.9))))
            for st, v in (("late", late), ("unavailable", u), ("late_or_unavailable", u + (1 - u) * late), ("wait_median", med), ("wait_p90", p90)):
                put("part_supply", "category", cat, v, part_source=src, statistic=st, category=cat)
    # trend: for rates the law's own yearly factor is the truth, and truth_blind is the log-linear change at equal age that the expected
    # counts show (a different mix of models and machines year by year moves it a little); for costs the truth is the expected change of the
    # yearly means, which the mix of ages moves, though the law of each repair's cost does not change (law: 1)
    def change(E, X):
        a = E.sum(1); b = X.sum(1)
        ok = X > 0
        th = 0.0
        yr = np.arange(10.0)[:, None] * np.ones_like(X)
        for _ in range(40):                      # profile over age effects
            mu_y = X * np.exp(th * yr)
            al = np.where(mu_y.sum(0) > 0, E.sum(0) / np.maximum(mu_y.sum(0), 1e-12), 0)
            mu = mu_y * al
            ybar = np.where(mu.sum(0) > 0, (mu * yr).sum(0) / np.maximum(mu.sum(0), 1e-12), 0)
            sc_ = ((E - mu) * yr).sum(); inf = (mu * (yr - ybar) ** 2).sum()
            if inf <= 0: return np.nan
            th += np.clip(sc_ / inf, -.5, .5)
        return float(np.exp(th))
    for lv, sc, p, cat in lscopes:
        for c in [None] + (comps(cat) if lv == "category" else []):
            E = acc.yr_e[:, :, p].sum(1) if c is None else acc.yr_e[:, c][:, p]
            X = acc.yr_x[:, p]
            if lv != "all": E = E.sum(1); X = X.sum(1)          # age alone; at scope all, age within each platform
            else: E = E.reshape(10, -1); X = X.reshape(10, -1)
            put("trend", lv, sc, w["trend"], n=E.sum(), measure="failure_rate", component=None if c is None else COMPS[c], statistic="change_per_year", category=cat)
            rows[-1]["law"] = w["trend"]; rows[-1]["truth_blind"] = change(E, X)
        for kk, meas in enumerate(("total", "labour", "parts", "charged", "labour_minutes")):
            n, s1, s2 = acc.cy[kk][:, p].sum(1)
            put("trend", lv, sc, 1.0, n=n.sum(), measure=meas, component=None, statistic="change_per_year", category=cat); rows[-1]["law"] = 1.0
            ok = n > 50; y = np.arange(10.0)[ok]; mean = s1[ok] / n[ok]; wt = n[ok] / np.maximum((s2[ok] / n[ok] - mean**2) / mean**2, 1e-9)
            yb = (wt * y).sum() / wt.sum()
            rows[-1]["truth"] = rows[-1]["truth_named"] = float(np.exp((wt * (y - yb) * np.log(mean)).sum() / (wt * (y - yb)**2).sum()))
    # design_contrast: Mantel-Haenszel over age bands on expected counts, washing machines of known design
    for c in [None] + [CID[x] for x in LAW["washing_machine"]]:
        kn = known & (True if c is None else hasc[:, c]); se = kn & mods.sealed.to_numpy(); bo = kn & ~mods.sealed.to_numpy()
        ci = slice(None) if c is None else slice(c, c + 1)
        t = acc.wo[:, :, :, ci, :].sum(3)                     # M, named, band, condemned?
        def mh(nm, crude):
            b = slice(1, 14) if not crude else slice(0, 14)
            a1 = t[se, nm, b, 1].sum(0); n1 = t[se, nm, b, 0].sum(0); a0 = t[bo, nm, b, 1].sum(0); n0 = t[bo, nm, b, 0].sum(0)
            if crude: return div(a1.sum() / max(n1.sum(), 1e-9), a0.sum() / max(n0.sum(), 1e-9))
            T = n1 + n0; ok = T > 0
            return div((a1 * n0 / np.maximum(T, 1e-9))[ok].sum(), (a0 * n1 / np.maximum(T, 1e-9))[ok].sum())
        for st, cr in (("risk_ratio_crude", True), ("risk_ratio_mantel_haenszel", False)):
            put("design_contrast", "category", "washing_machine", mh(0, cr), mh(1, cr), n=t[se, 1, :, 1].sum() + t[bo, 1, :, 1].sum(), contrast="drum_design", exposed="sealed", reference="bolted",
                component=None if c is None else COMPS[c], outcome="write_off", statistic=st, category="washing_machine")
        def rr(ev, evall, crude):
            if crude: return div(evall[se][:, ci].sum() / acc.expo_all[se].sum(), evall[bo][:, ci].sum() / acc.expo_all[bo].sum())
            a1 = np.array([ev[se][:, ci, x].sum() for x in bandbins]); a0 = np.array([ev[bo][:, ci, x].sum() for x in bandbins])
            t1 = np.array([acc.expo[se][:, x].sum() for x in bandbins]); t0 = np.array([acc.expo[bo][:, x].sum() for x in bandbins])
            T = np.maximum(t1 + t0, 1e-9)
            return div((a1 * t0 / T).sum(), (a0 * t1 / T).sum())
        for st, cr in (("rate_ratio_crude", True), ("rate_ratio_mantel_haenszel", False)):
            put("design_contrast", "category", "washing_machine", rr(acc.ev, acc.ev_all, cr), rr(acc.evn, acc.evn_all, cr), n=acc.ev_all[kn][:, ci].sum(), contrast="drum_design", exposed="sealed",
                reference="bolted", component=None if c is None else COMPS[c], outcome="failure", statistic=st, category="washing_machine")
    # model_standing
    band_e = np.stack([acc.ev[:, :, x].sum(2) for x in bandbins], 2); band_x = np.stack([acc.expo[:, x].sum(1) for x in bandbins], 1)
    for i in range(M):
        cat = CATS[mcat[i]]; oth = (mcat == mcat[i]) & (np.arange(M) != i)
        for c in [None] + comps(cat):
            if c is not None and not hasc[i, c]: continue
            o = oth if c is None else oth & hasc[:, c]
            E = band_e.sum(1) if c is None else band_e[:, c]
            ea = acc.ev_all.sum(1) if c is None else acc.ev_all[:, c]; en = acc.evn_all.sum(1) if c is None else acc.evn_all[:, c]
            rate = np.array([div(a, b) for a, b in zip(E[o].sum(0), band_x[o].sum(0))]); rate = np.nan_to_num(rate)
            ratio = div(E[i].sum(), (rate * band_x[i]).sum())
            put("model_standing", "model", mods.model[i], div(ea[i], acc.expo_all[i]), None if c is None else div(en[i], acc.expo_all[i]), n=ea[i],
                component=None if c is None else COMPS[c], measure="rate", category=cat)
            rows[-1]["ratio"] = num(ratio)
        wo = acc.out[:, CONDEMNED]; jb = acc.out.sum(1)
        # write-off share at the age-specific shares of the others (jobs of known clock)
        wa = acc.wo[:, 0, 1:].sum(2)
        sh = np.nan_to_num(np.array([div(a, b) for a, b in zip(wa[oth, :, 1].sum(0), wa[oth, :, 0].sum(0))]))
        put("model_standing", "model", mods.model[i], div(wo[i], jb[i]), n=jb[i], component=None, measure="write_off", category=cat)
        rows[-1]["ratio"] = num(div(wa[i, :, 1].sum(), (sh * wa[i, :, 0]).sum()))
    return rows


# ---------------------------------------------------------------------------------------------------- records

def day(x):
    """days since the epoch to text; NaN and None give an empty cell"""
    x = np.asarray(x, float)
    ok = np.isfinite(x)
    d = np.where(ok, x, 0).astype("int64")
    s = (EPOCH + d.astype("timedelta64[D]")).astype("datetime64[D]").astype(str)
    return np.where(ok, s, "")


def write(w, out, seed):
    r = np.random.default_rng([seed, 2])
    ev = simulate(w, r)
    q = np.random.default_rng([seed, 3])
    mods = w["models"]; N, n = w["N"], w["n"]
    os.makedirs(out, exist_ok=True)
    cat = pd.DataFrame({
        "brand": mods.brand, "model": mods.model, "category": [CATS[c] for c in mods.cat], "platform": mods.platform,
        "drum_design": np.where(mods.drum_known, np.where(mods.sealed, "sealed", "bolted"), ""),
        "motor_type": np.where(mods.motor_known & (mods.cat == 0), np.where(mods.brushed, "brushed", "brushless"), ""),
        "first_sold_on": day(mods["first"].to_numpy()), "price_new": mods.price.map("{:.2f}".format)})
    cat.to_csv(f"{out}/models.csv", index=False)
    # numbers: every shop counts from 1
    mid = np.zeros(N, int)
    for s in range(3):
        k = np.flatnonzero((w["shop"] == s) & ~w["walk"]); mid[k] = np.arange(1, len(k) + 1) + ((s + 1) * 100000 if "numbers" in w["off"] else 0)
    serial = np.array([f"{'KMPRTW'[a]}{b:08d}" for a, b in zip(q.integers(0, 6, N), q.choice(10**8 - 1, N, replace=False))])
    # the roster
    cond = np.full(N, np.inf); k = ev["o"] == CONDEMNED; cond[ev["m"][k]] = ev["tc"][k]
    condrec = np.zeros(N, bool); condrec[ev["m"][k]] = ev["rec"][k]
    told = q.random(N) < (1.0 if "condemned" in w["off"] else 0.45)
    reasons = np.array(["sold", "moved", "plan_ended"])
    stays = []
    for s, e in ((w["s1"], w["e1"]), (w["s2"], w["e2"])):
        i = np.flatnonzero((s < CUT) & (s < cond) & (s < w["rec1"]) & ~w["walk"])
        S, E, D = s[i].astype(float), e[i].astype(float), cond[i]
        why = reasons[q.choice(3, len(i), p=[.4, .25, .35])].astype(object)
        # the machine ended in this stay: its end is told, or only the job tells it (if a job was recorded at all)
        b = D < E
        left = np.where(b, np.where(told[i] | ~condrec[i], D + q.integers(0, 6, len(i)), np.nan), E)
        why = np.where(b, "condemned", why)
        left = np.where(left > w["rec1"][i], np.nan, left)             # hill stops writing; elsewhere the cut-off
        if "span" in w["off"]:                                          # the roster itself says over which time there are records
            stop = ~np.isfinite(left) & (w["shop"][i] == 2); left = np.where(stop, w["rec1"][i] + 1, left); why = np.where(stop, "withdrawn", why)
            S = np.maximum(S, w["rec0"][i]); ok = ~(left <= S); i, S, left, why = i[ok], S[ok], left[ok], why[ok]
        stays.append(pd.DataFrame({"m": i, "entered": S, "left": left, "why": np.where(np.isfinite(left), why, "")}))
    ro = pd.concat(stays).sort_values(["m", "entered"])
    m = ro.m.to_numpy()
    roster = pd.DataFrame({
        "shop": w["shop"][m], "machine_id": mid[m], "serial": np.where(q.random(len(m)) < 0.9, serial[m], ""), "category": np.array(CATS)[w["mcatm"][m]],
        "brand": mods.brand.to_numpy()[w["mod"][m]], "model": mods.model.to_numpy()[w["mod"][m]],
        "in_service_on": np.where(w["clock"][m], day(w["birth"][m]), ""), "entered_on": day(ro.entered), "left_on": day(ro.left), "left_reason": ro.why.to_numpy()})
    # one serial per machine, or none
    hs = q.random(N) < 0.9
    roster["serial"] = np.where(hs[m], serial[m], "")
    # the jobs
    J = np.flatnonzero(ev["rec"])
    J = J[np.lexsort((ev["t"][J], ev["tc"][J]))]
    e = {k: v[J] for k, v in ev.items()}
    m = e["m"]; K = len(J)
    oo = np.where(e["unk"], UNKNOWN, e["o"])
    named = e["named"]; comp = np.where(named, np.array(COMPS)[e["g"]], "")
    rep = (oo == REPAIRED) | ((oo == UNKNOWN) & (e["o"] == REPAIRED))
    noparts = q.random(K) < (0.0 if "costs" in w["off"] else P_NO_PARTS_COST)
    walk = w["walk"][m]
    born = day(w["birth"][m])
    noclock = ~w["clock"][m]
    how = q.random(K)
    stated = np.where(noclock & (how < 0.35), np.floor(e["age"]).astype(int).astype(str), "")
    myear = np.where(noclock & (how >= 0.35) & (how < 0.6), np.array([b[:4] for b in born]), "")
    wserial = q.random(N) < 0.6
    jobs = pd.DataFrame({
        "shop": w["shop"][m], "closed_on": day(e["tc"]), "booked_on": np.where(q.random(K) < (0.0 if "booking" in w["off"] else P_NO_BOOKING), "", day(e["t"])),
        "category": np.array(CATS)[w["mcatm"][m]], "brand": mods.brand.to_numpy()[w["mod"][m]], "model": mods.model.to_numpy()[w["mod"][m]],
        "serial": np.where(np.where(walk, wserial[m], hs[m]), serial[m], ""), "machine_id": np.where(walk, "", mid[m].astype(str)),
        "made_year": myear, "age_years": stated, "site": np.where(q.random(K) < 0.7, "home", "workshop"),
        "component": comp, "outcome": np.array(OUT)[oo],
        "labour_minutes": e["mins"].astype(int), "labour_cost": [f"{x:.2f}" for x in e["labour"]],
        "parts_cost": np.where(rep & ~noparts, [f"{x:.2f}" for x in e["parts"]], ""),
        "charged": [f"{x:.2f}" for x in e["charged"]], "currency": "GBP"})
    jobs["job_id"] = jobs.groupby("shop").cumcount() + 1 + (jobs["shop"] + 1) * (100000 if "numbers" in w["off"] else 0)
    # findings, of a part of the jobs with a named fault
    find = named & (q.random(K) < P_FINDINGS)
    F = []
    jid = jobs.job_id.to_numpy()
    u = q.random(K)
    for i in np.flatnonzero(find):
        c = COMPS[e["g"][i]]; F.append((w["shop"][m[i]], jid[i], 1, c, "primary", ""))
        x = CASCADE[CATS[w["mcatm"][m[i]]]].get(c)
        if x and u[i] < x[1]: F.append((w["shop"][m[i]], jid[i], 2, x[0], "consequential", 1))
    F = pd.DataFrame(F, columns=["shop", "job_id", "step", "component", "role", "caused_by"])
    # parts, of named repaired jobs whose parts have a price
    rec1 = w["rec1"][m]
    has = named & (e["o"] == REPAIRED) & ~noparts & (e["parts"] > 0)
    PT = []
    u = q.random((K, 4)); z = q.normal(size=K)
    def bus(d, k):  # the k-th working day after d
        return np.busday_offset(EPOCH + np.timedelta64(int(d), "D"), int(k), roll="backward")
    def iso(d): return str(np.datetime64(d, "D"))
    for i in np.flatnonzero(has):
        shop = w["shop"][m[i]]; c = comp[i]; src = "new-pattern" if e["pat"][i] else "new-original"; cost = f"{e['parts'][i]:.2f}"
        end = EPOCH + np.timedelta64(int(rec1[i]), "D")
        if e["order"][i]:
            # ordered on the first working day at or after booking, received wait working days later, closed after that
            o = np.busday_offset(EPOCH + np.timedelta64(int(e["t"][i]), "D"), 0, roll="forward")
            lm, ls, pu = WAIT[src]
            if u[i, 0] < pu / (1 - pu):            # before it came, another order was cancelled as unavailable: pu of all orders
                PT.append((shop, jid[i], c, src, 1, "", iso(o), "", "yes"))
            rcv = np.busday_offset(o, int(e["wait"][i]))
            PT.append((shop, jid[i], c, src, 1, cost, iso(o), iso(rcv) if rcv <= end else "", "no" if u[i, 3] < .5 else ""))
        else:
            x = u[i, 1]
            if x < P_RESTOCK / (1 - P_ORDER):      # fitted from stock, and a new one ordered that day: it may arrive after the job is closed
                lm, ls, pu = WAIT[src]
                o = np.busday_offset(EPOCH + np.timedelta64(int(e["tc"][i]), "D"), 0, roll="backward")
                if u[i, 2] < pu: PT.append((shop, jid[i], c, src, 1, "", iso(o), "", "yes"))
                else:
                    rcv = np.busday_offset(o, int(np.ceil(np.exp(lm + ls * z[i]))))
                    PT.append((shop, jid[i], c, src, 1, cost, iso(o), iso(rcv) if rcv <= end else "", ""))
            else:
                PT.append((shop, jid[i], c, src if u[i, 2] > .15 else "used", 1, cost, "", "", ""))
    PT = pd.DataFrame(PT, columns=["shop", "job_id", "component", "part_source", "quantity", "unit_cost", "ordered_on", "received_on", "unavailable"])
    for s, name in enumerate(SHOPS):
        d = f"{out}/{name}"; os.makedirs(d, exist_ok=True)
        x = jobs[jobs.shop == s].drop(columns="shop"); x[["job_id"] + [c for c in x if c != "job_id"]].to_csv(f"{d}/jobs.csv", index=False)
        roster[roster.shop == s].drop(columns="shop").to_csv(f"{d}/machines.csv", index=False)
        PT[PT.shop == s].drop(columns="shop").to_csv(f"{d}/parts.csv", index=False)
        F[F.shop == s].drop(columns="shop").to_csv(f"{d}/findings.csv", index=False)
        with open(f"{d}/mapping.toml", "w") as f: f.write('currency = "GBP"\n\n[jobs.blank]\nparts_cost = "unknown"\n')
    return dict(jobs=K, machines=int(len(np.unique(ro.m))), stays=len(ro), second_stays=int(len(ro) - len(np.unique(ro.m))), walk_in_jobs=int(walk.sum()),
                unnamed=float(1 - named[e["g"] >= 0].mean()), condemned=int((e["o"] == CONDEMNED).sum()), orders=int((PT.ordered_on != "").sum()),
                open_orders=int(((PT.ordered_on != "") & (PT.received_on == "") & (PT.unavailable != "yes")).sum()),
                recalls=int(e["bad"].sum()))


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--seed", type=int, default=1); ap.add_argument("--out", required=True); ap.add_argument("--scale", type=float, default=1.0)
    ap.add_argument("--trend", type=float, default=1.0); ap.add_argument("--mnar", action="store_true"); ap.add_argument("--replicates", type=int, default=80)
    ap.add_argument("--without", default="", help="gaps to leave out, comma-separated: numbers, names, stays, span, condemned, clock, used, booking, costs; or all")
    a = ap.parse_args()
    off = frozenset("numbers names stays span condemned clock used booking costs".split()) if a.without == "all" else frozenset(x for x in a.without.split(",") if x)
    t0 = time.time()
    w = make_world(a.seed, a.scale, a.mnar, a.trend, off)
    info = write(w, a.out, a.seed)
    print(f"records {time.time() - t0:.1f} s", info, flush=True)
    acc = Acc(w)
    for k in range(a.replicates):
        acc.add(simulate(w, np.random.default_rng([a.seed, 1000 + k])))
    rows = truth_rows(acc)
    with open(f"{a.out}/truth.json", "w") as f:
        json.dump({"seed": a.seed, "scale": a.scale, "trend": a.trend, "mnar": a.mnar, "without": sorted(off), "replicates": a.replicates, "records": info,
                   "bands": BANDS, "rows": rows}, f, separators=(",", ":"))
    print(f"truth {time.time() - t0:.1f} s, {len(rows)} rows")


if __name__ == "__main__":
    main()
