"""What the two worlds share: a catalogue of invented machines, their ages, and the writing of the files."""
import csv
import datetime as dt
import json
import os

import numpy as np

START = dt.date(2019, 7, 1)          # first day of the records
YEARS = 6                            # the last year is the held-out one
AGES = np.arange(0, 40) * 0.5        # ages on a half-year grid, years
CATEGORIES = ["washing_machine", "tumble_dryer", "dishwasher", "fridge_freezer"]
COMPONENTS = {
    "washing_machine": ["drum_bearings", "door_lock", "drain_pump", "motor", "carbon_brushes",
                        "motor_control_board", "heating_element", "drive_belt", "pressure_switch",
                        "inlet_valve", "shock_absorbers"],
    "tumble_dryer": ["dryer_belt", "dryer_heater", "thermal_cutout", "drum_rollers", "door_switch", "motor"],
    "dishwasher": ["wash_pump", "drain_pump", "heating_element", "door_lock", "inlet_valve", "spray_arm"],
    "fridge_freezer": ["compressor", "thermostat", "evaporator_fan", "defrost_heater"],
}
# how common a part's failure is (log), and how that changes with a year of age
BASE = {
    "washing_machine": {"drum_bearings": (0.2, .13), "door_lock": (0.0, -.05), "drain_pump": (0.6, .0), "motor": (-.6, .02),
                        "carbon_brushes": (.5, .08), "motor_control_board": (0.0, -.08), "heating_element": (0.0, .05),
                        "drive_belt": (-.5, .06), "pressure_switch": (-.8, .0), "inlet_valve": (-.5, -.02),
                        "shock_absorbers": (-.3, .09)},
    "tumble_dryer": {"dryer_belt": (.5, .04), "dryer_heater": (.3, .02), "thermal_cutout": (.4, -.04),
                     "drum_rollers": (-.1, .1), "door_switch": (-.4, -.03), "motor": (-.3, .03)},
    "dishwasher": {"wash_pump": (.2, .04), "drain_pump": (.5, .0), "heating_element": (.4, .04),
                   "door_lock": (-.2, -.06), "inlet_valve": (-.1, -.02), "spray_arm": (-.6, .02)},
    "fridge_freezer": {"compressor": (-.1, .1), "thermostat": (.4, -.02), "evaporator_fan": (.3, .03),
                       "defrost_heater": (.2, -.03)},
}


def softmax(x, axis=-1):
    x = x - x.max(axis=axis, keepdims=True)
    e = np.exp(x)
    return e / e.sum(axis=axis, keepdims=True)


class Catalogue:
    """Models on shared platforms; a platform may be sold under two brands; some come late."""

    def __init__(self, rng, brands, platforms_of, models_per_platform, cat_share, late_models=2):
        self.brands = brands
        self.models = []      # dict(brand, model, category, platform, ...)
        self.platforms = []   # dict(key, category, ...)
        used = set()
        for cat in CATEGORIES:
            for i in range(platforms_of[cat]):
                pi = len(self.platforms)
                key = "".join(rng.choice(list("BDGKLMPRTVZ"), 2)) + str(rng.integers(10, 99)) + "-" + cat[0].upper() + str(i + 1)
                plat = dict(key=key, category=cat, index=pi,
                            motor="brushed" if (cat == "washing_machine" and i % 3 != 2) else ("brushless" if cat == "washing_machine" else ""),
                            drum=("sealed" if rng.random() < .5 else "bolted") if cat == "washing_machine" else "",
                            launch=float(rng.uniform(-16, -6)) if i < platforms_of[cat] - 1 else float(rng.uniform(-5, 1.5)))
                self.platforms.append(plat)
                two = rng.choice(len(brands), 2, replace=False)
                for k in range(models_per_platform):
                    while True:
                        name = "".join(rng.choice(list("ACDEFHKLNPRSTWX"), 2)) + str(rng.integers(200, 9900))
                        if name not in used:
                            used.add(name)
                            break
                    self.models.append(dict(brand=brands[two[0] if k < 2 else two[1]], model=name, category=cat, platform=key, p=pi,
                                            launch=plat["launch"] + (0 if k == 0 else float(rng.uniform(0, 4))),
                                            pop=float(np.exp(rng.normal(0, .6)))))
        late = rng.choice(len(self.models), late_models, replace=False)
        for m in late:       # models that first come to the shop in the held-out year
            self.models[m]["launch"] = YEARS - 1.0
            self.models[m]["pop"] *= 3
        nm = len(self.models)
        # P(age | model, year) and P(model | category, year)
        shape = AGES ** 1.1 * np.exp(-AGES / 3.6) + .12 * np.exp(-AGES)
        self.agew = np.zeros((nm, YEARS, len(AGES)))
        self.share = np.zeros((nm, YEARS))
        for m, mo in enumerate(self.models):
            for y in range(YEARS):
                w = np.where(AGES < y + 1 - mo["launch"], shape, 0.0)
                s = w.sum()
                self.share[m, y] = mo["pop"] * s
                self.agew[m, y] = w / s if s > 0 else w
        self.cat_share = cat_share
        self.cat_models = {c: [m for m in range(nm) if self.models[m]["category"] == c] for c in CATEGORIES}

    def draw(self, rng):
        cat = CATEGORIES[rng.choice(len(CATEGORIES), p=self.cat_share)]
        day = int(rng.integers(0, round(YEARS * 365.25)))
        y = min(int(day / 365.25), YEARS - 1)
        ms = self.cat_models[cat]
        w = self.share[ms, y]
        m = ms[rng.choice(len(ms), p=w / w.sum())]
        a = int(rng.choice(len(AGES), p=self.agew[m, y]))
        return cat, day, y, m, a

    def consistent(self, cat, y, model, brand, a):
        """(model, age index, weight) rows of what may be true of a job, given what was written of it."""
        if model is not None:
            ms = [model]
        else:
            ms = [m for m in self.cat_models[cat] if brand is None or self.models[m]["brand"] == brand]
        rows = []
        for m in ms:
            if a is not None:
                w = self.share[m, y] * self.agew[m, y, a]
                if w > 0:
                    rows.append((m, a, w))
            else:
                for k in range(len(AGES)):
                    w = self.share[m, y] * self.agew[m, y, k]
                    if w > 0:
                        rows.append((m, k, w))
        return rows

    def write(self, out):
        with open(os.path.join(out, "models.csv"), "w", newline="") as f:
            w = csv.writer(f)
            w.writerow(["brand", "model", "category", "platform", "drum_design", "motor_type", "first_sold_on"])
            for mo in self.models:
                pl = self.platforms[mo["p"]]
                w.writerow([mo["brand"], mo["model"], mo["category"], mo["platform"], pl["drum"], pl["motor"],
                            (START + dt.timedelta(days=round(365.25 * mo["launch"]))).isoformat()])


def platform_priors(rng, cat_obj, sd_platform, sd_slope, sd_base=.25):
    """prior[p][age, component]: log-linear in age, each platform with its own weak points."""
    priors = []
    jit = {c: {k: rng.normal(0, sd_base) for k in COMPONENTS[c]} for c in CATEGORIES}
    for pl in cat_obj.platforms:
        comps = COMPONENTS[pl["category"]]
        z = np.zeros((len(AGES), len(comps)))
        for j, c in enumerate(comps):
            b, s = BASE[pl["category"]][c]
            off = b + jit[pl["category"]][c] + rng.normal(0, sd_platform)
            slope = s + rng.normal(0, sd_slope)
            z[:, j] = off + slope * (AGES - 5)
            if c == "carbon_brushes":
                z[:, j] += np.where(AGES < 3, -.8, .2)
                if pl["motor"] != "brushed":
                    z[:, j] = -60
            if c == "compressor":
                z[:, j] += np.where(AGES < 1, 1.0, 0)
        priors.append(softmax(z, 1))
    return priors


FIELDS = ["job_id", "closed_on", "booked_on", "category", "brand", "model", "bought_on", "age_years", "site", "visits",
          "symptoms", "component", "fault_text", "outcome", "labour_minutes", "parts_cost", "charged", "currency"]


def job_row(rng, i, cat, day, mo, age, known, symptoms, comp, named, fault_text, nff):
    """One line of jobs.csv. `known`: dict(model, brand, age) of booleans; age as stated years or a date of purchase."""
    closed = START + dt.timedelta(days=day)
    booked = closed - dt.timedelta(days=int(rng.integers(0, 12)))
    r = dict.fromkeys(FIELDS, "")
    r.update(job_id=f"J{i:06d}", closed_on=closed.isoformat(), booked_on=booked.isoformat(), category=cat,
             brand=mo["brand"] if known["brand"] else "", model=mo["model"] if known["model"] else "",
             site="home" if rng.random() < .7 else "workshop", visits=1 + int(rng.random() < .2), symptoms=symptoms,
             fault_text=fault_text, currency="GBP")
    if known["age"]:
        if rng.random() < .7:
            r["age_years"] = f"{age:g}"
        else:
            r["bought_on"] = (closed - dt.timedelta(days=round(365.25 * (age + .1)))).isoformat()
    if nff:
        r["outcome"] = "no_fault_found"
        r["charged"] = int(rng.integers(30, 60))
        r["labour_minutes"] = int(rng.integers(15, 45))
        return r
    if named:
        r["component"] = comp if rng.random() < .6 else comp.replace("_", " ")
    u = rng.random()
    r["outcome"] = "repaired" if u < .84 else ("condemned" if u < .91 else ("declined" if u < .97 else "repairable"))
    r["labour_minutes"] = int(rng.gamma(4, 14)) + 10
    if r["outcome"] == "repaired":
        r["parts_cost"] = f"{rng.gamma(3, 12):.2f}"
        r["charged"] = f"{float(r['parts_cost']) + r['labour_minutes'] * .9 + 25:.2f}"
    return r


def write_jobs(out, rows):
    rows = sorted(rows, key=lambda r: (r["closed_on"], r["job_id"]))
    with open(os.path.join(out, "jobs.csv"), "w", newline="") as f:
        w = csv.DictWriter(f, FIELDS)
        w.writeheader()
        w.writerows(rows)


def write_bayes(out, lines):
    with open(os.path.join(out, "bayes.jsonl"), "w") as f:
        for ln in lines:
            f.write(json.dumps(ln) + "\n")
