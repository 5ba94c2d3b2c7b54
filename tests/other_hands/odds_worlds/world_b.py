"""World B: the complaint is one hurried sentence; each failed part has its own words, each brand its own customers.

    world_b.py --seed N --out DIR
Writes jobs.csv, models.csv and bayes.jsonl. The law's probabilities in bayes.jsonl know which words were meant
(a slip of the keys never hides a word from them), so they are a lower bound on the loss that can be had."""
import argparse
import os

import numpy as np

from oddslib import (AGES, CATEGORIES, COMPONENTS, YEARS, Catalogue, job_row, platform_priors, softmax, write_bayes,
                     write_jobs)

BRANDS = ["Morvettle", "Gandrisk", "Ysbeck", "Corlannet", "Felduray", "Trowmark"]

# what may be said, with the parts it speaks for (weights over a common small one)
UNITS = {
    "washing_machine": [
        ("wont spin", dict(drain_pump=3, carbon_brushes=4, motor=3, drive_belt=3, motor_control_board=1.5, pressure_switch=1.5)),
        ("not spinning out", dict(drain_pump=3, carbon_brushes=3, motor=2, drive_belt=2)),
        ("clothes sopping", dict(drain_pump=3, carbon_brushes=2, motor=1, pressure_switch=1.5)),
        ("drum not turning", dict(motor=5, carbon_brushes=5, drive_belt=5, motor_control_board=2)),
        ("can turn drum by hand dead easy", dict(drive_belt=7, carbon_brushes=1)),
        ("rubbery smell", dict(drive_belt=4, shock_absorbers=.8)),
        ("sparks seen at the back", dict(carbon_brushes=6, motor=2)),
        ("electric burning smell", dict(carbon_brushes=3, motor=4, motor_control_board=2.5, heating_element=1)),
        ("awful racket", dict(drum_bearings=7, shock_absorbers=3)),
        ("grinding when it spins", dict(drum_bearings=7, motor=1)),
        ("sounds like an aeroplane", dict(drum_bearings=6, shock_absorbers=1)),
        ("drum is loose", dict(drum_bearings=5, shock_absorbers=3, drive_belt=1)),
        ("brown stains on washing", dict(drum_bearings=4)),
        ("walks across floor", dict(shock_absorbers=8, drum_bearings=1)),
        ("banging about", dict(shock_absorbers=7, drum_bearings=2)),
        ("water wont go away", dict(drain_pump=8, pressure_switch=2)),
        ("not emptying", dict(drain_pump=8, pressure_switch=1.5)),
        ("full of water", dict(drain_pump=6, pressure_switch=2, inlet_valve=1, door_lock=1)),
        ("humming noise", dict(drain_pump=4, inlet_valve=2, motor=1.5)),
        ("water all over floor", dict(drain_pump=2.5, inlet_valve=2.5, drum_bearings=2, pressure_switch=1)),
        ("drip underneath", dict(drum_bearings=2.5, drain_pump=2.5, inlet_valve=1.5)),
        ("no water coming in", dict(inlet_valve=8, door_lock=2, pressure_switch=1.5)),
        ("takes ages to fill", dict(inlet_valve=6, pressure_switch=1)),
        ("keeps filling up", dict(inlet_valve=3, pressure_switch=6)),
        ("too much water", dict(inlet_valve=2, pressure_switch=6)),
        ("water stays cold", dict(heating_element=8, pressure_switch=1, motor_control_board=1)),
        ("not warming up", dict(heating_element=8, motor_control_board=1)),
        ("trips the board", dict(heating_element=6, motor=2, motor_control_board=2, carbon_brushes=1)),
        ("electrics go off", dict(heating_element=5, motor=2, motor_control_board=2)),
        ("door wont shut", dict(door_lock=7)), ("cant get door open", dict(door_lock=6, drain_pump=2)),
        ("clicks but nothing happens", dict(door_lock=5, motor_control_board=3)),
        ("wont start", dict(door_lock=4, motor_control_board=4, inlet_valve=1)),
        ("totally dead", dict(motor_control_board=6, door_lock=1.5)),
        ("all lights blinking", dict(motor_control_board=4, door_lock=1.5, carbon_brushes=1, drain_pump=1)),
        ("program goes haywire", dict(motor_control_board=5, pressure_switch=1.5)),
        ("stops half way", dict(drain_pump=2, motor_control_board=2, carbon_brushes=2, heating_element=1.5, pressure_switch=1.5)),
        ("stuck on same number", dict(heating_element=2.5, motor_control_board=2, drain_pump=1.5, inlet_valve=1.5)),
        ("stinks", dict(drain_pump=2, drive_belt=1, heating_element=1)),
    ],
    "tumble_dryer": [
        ("drum not going round", dict(dryer_belt=8, motor=3, drum_rollers=1)), ("just hums", dict(motor=5, dryer_belt=2)),
        ("snap then nothing", dict(dryer_belt=6, motor=.8)), ("no heat at all", dict(dryer_heater=7, thermal_cutout=5)),
        ("blowing cold", dict(dryer_heater=6, thermal_cutout=5)), ("everything still damp", dict(dryer_heater=4, thermal_cutout=3)),
        ("takes three hours", dict(dryer_heater=3, thermal_cutout=2, drum_rollers=.6)), ("cuts out when hot", dict(thermal_cutout=7, motor=2)),
        ("stopped after ten minutes", dict(thermal_cutout=5, motor=3, door_switch=1)), ("fuse went", dict(dryer_heater=5, motor=3)),
        ("squeaks like mad", dict(drum_rollers=7, dryer_belt=1.5, motor=1)), ("thump thump thump", dict(drum_rollers=6, dryer_belt=1)),
        ("rumbling", dict(drum_rollers=5, motor=2)), ("black marks on sheets", dict(drum_rollers=4, dryer_belt=1.5)),
        ("door pops open", dict(door_switch=6)), ("only goes if you lean on door", dict(door_switch=8)),
        ("wont start", dict(door_switch=5, motor=3, thermal_cutout=3)), ("light on but no go", dict(door_switch=3, motor=4, dryer_belt=1)),
        ("dead as anything", dict(thermal_cutout=3, door_switch=3, motor=1)), ("burny smell", dict(motor=3, dryer_belt=2.5, dryer_heater=1.5)),
        ("scorching hot", dict(thermal_cutout=4, dryer_heater=1.5)), ("needs a push to get going", dict(motor=6)),
    ],
    "dishwasher": [
        ("plates come out filthy", dict(spray_arm=6, wash_pump=5, inlet_valve=1)), ("not cleaning top basket", dict(spray_arm=7, wash_pump=2)),
        ("cant hear it swooshing", dict(wash_pump=7, inlet_valve=1.5)), ("grindy noise", dict(wash_pump=4, drain_pump=3, spray_arm=1)),
        ("something knocking inside", dict(spray_arm=6, wash_pump=1)), ("water in bottom", dict(drain_pump=8, inlet_valve=1)),
        ("wont pump out", dict(drain_pump=8)), ("mucky water sitting there", dict(drain_pump=6)), ("hums then stops", dict(drain_pump=4, wash_pump=3)),
        ("leaking from door", dict(door_lock=3, spray_arm=3, wash_pump=1.5)), ("puddle under", dict(wash_pump=4, inlet_valve=2.5, drain_pump=1.5)),
        ("dishes soaking wet", dict(heating_element=6)), ("not hot", dict(heating_element=8)), ("tablet not dissolved", dict(heating_element=3, spray_arm=3, inlet_valve=1.5)),
        ("knocks electric off", dict(heating_element=6, wash_pump=2)), ("no water going in", dict(inlet_valve=8, door_lock=1)),
        ("keeps filling", dict(inlet_valve=6)), ("tap symbol lit", dict(inlet_valve=6)), ("door falls open", dict(door_lock=6)),
        ("wont latch", dict(door_lock=8)), ("wont start", dict(door_lock=5, inlet_valve=1.5, heating_element=1)),
        ("beeps and gives up", dict(drain_pump=2, heating_element=2, inlet_valve=2, wash_pump=2)),
        ("stuck with one minute left", dict(heating_element=3, drain_pump=2)), ("whiffy", dict(drain_pump=3, spray_arm=1)),
    ],
    "fridge_freezer": [
        ("not cold enough", dict(compressor=5, thermostat=4, evaporator_fan=4, defrost_heater=2)), ("milk gone off", dict(compressor=3, thermostat=3, evaporator_fan=3)),
        ("freezer stuff melting", dict(compressor=6, thermostat=2)), ("top ok bottom warm", dict(evaporator_fan=5, defrost_heater=4)),
        ("fridge warm freezer fine", dict(evaporator_fan=6, defrost_heater=4, thermostat=1.5)), ("ice all up the back", dict(defrost_heater=8, thermostat=1)),
        ("iced solid", dict(defrost_heater=7, evaporator_fan=1.5)), ("water under the salad", dict(defrost_heater=5)),
        ("freezing the lettuce", dict(thermostat=8)), ("too cold on any setting", dict(thermostat=8)), ("never stops running", dict(thermostat=4, compressor=4)),
        ("clicks every few minutes", dict(compressor=7)), ("buzz then click", dict(compressor=6)), ("tripping", dict(compressor=4, defrost_heater=3)),
        ("whirring scrape", dict(evaporator_fan=8)), ("rattly", dict(evaporator_fan=4, compressor=3)), ("no fan noise", dict(evaporator_fan=6)),
        ("alarm beeping", dict(compressor=2, evaporator_fan=2, thermostat=1.5, defrost_heater=1)), ("hot at the back", dict(compressor=4, thermostat=1)),
        ("sides roasting", dict(compressor=4)), ("silent", dict(thermostat=3, compressor=2)),
    ],
}
# words found in no list of symptoms; what they speak for is drawn with the seed
ODD = ["clonky", "gurdles", "doing the flamenco", "swoshy", "fizzpops", "wibbling", "like marbles in a tin", "squinny", "mardy",
       "smells of fish", "burnt toast", "grumpling", "kapow", "like a moped", "greasy puddle", "chuntering", "dog hides from it",
       "next door complained", "since the power cut", "since we moved it", "after a big duvet", "after holiday", "ate a sock",
       "lost a bra wire", "plumber been", "shudders", "ticking", "glugging", "sulking", "goes berserk at end", "white flakes",
       "rusty bits", "pinging", "only in the morning", "only on 60", "when next to wall", "kid leaned on it", "hissing",
       "shrieky", "thunking", "jiggly", "flobbing", "steamy", "yowling", "had to mop", "whistle", "gritty", "slack", "crackle"]
# said of anything; a habit of brands' customers rather than of parts
PLAIN = ["please come soon", "only 2 yrs old", "had it repaired before", "very annoyed", "three kids", "happened monday", "in the utility room",
         "second time this year", "guarantee ran out", "is it worth fixing", "ring first", "parking is round back", "bought new",
         "son had a look", "tried turning off and on", "been playing up for weeks", "getting worse", "out of the blue", "need it asap"]
OPEN = ["", "", "", "hi", "customer reports", "machine", "its", "help", "lady says", "tenant says", "hello our machine", "the thing", "pls"]
JOIN = [" and ", ", ", " ", " then ", " also ", " - ", ". "]
CODES = ["E18", "F05", "E20", "F12", "E03", "H2", "C9", "E61"]
CODE_FORMS = ["{c}", "error {c}", "code {c}", "says {c}", "{l}", "{s}", "showing {c}"]
KEYS = {a: b for a, b in zip("qwertyuiopasdfghjklzxcvbnm", "wqretyuoipsadghfkjlxzvcbmn")}


def slip(rng, w):
    """One slip of the keys in a word."""
    if len(w) < 4:
        return w
    i = int(rng.integers(1, len(w) - 1))
    k = rng.integers(0, 4)
    if k == 0:
        return w[:i] + w[i + 1] + w[i] + w[i + 2:]
    if k == 1:
        return w[:i] + w[i + 1:]
    if k == 2:
        return w[:i] + w[i] + w[i:]
    return w[:i] + KEYS.get(w[i], w[i]) + w[i + 1:]


class Law:
    NT = 3      # ways in which a part may fail, each with its own words

    def __init__(self, seed):
        rng = np.random.default_rng([seed, 51])
        self.cat = Catalogue(rng, BRANDS, dict(washing_machine=4, tumble_dryer=2, dishwasher=3, fridge_freezer=2), 3,
                             [.46, .18, .22, .14], late_models=1)
        prior = platform_priors(rng, self.cat, .40, .03)
        self.units, self.phi, self.topic, self.nffphi = {}, {}, {}, {}
        nb = len(BRANDS)
        self.bprior = {}
        for c in CATEGORIES:
            comps, K = COMPONENTS[c], len(COMPONENTS[c])
            hand = UNITS[c]
            odd = list(rng.choice(ODD, 26, replace=False))
            units = [u for u, _ in hand] + odd + PLAIN
            U = len(units)
            lg = np.full((K, U), 0.0)
            for i, (_, g) in enumerate(hand):
                for k in comps:
                    lg[comps.index(k), i] = np.log(g.get(k, .2))
            for i in range(len(hand), len(hand) + len(odd)):
                lg[:, i] = np.log(rng.choice([.08, .5, 2.5], K, p=[.55, .3, .15]) * .6)
            lg[:, len(hand) + len(odd):] = np.log(.55) + rng.normal(0, .5, len(PLAIN))[None, :]
            lg = lg + rng.normal(0, .35, lg.shape)
            top = rng.normal(0, .55, (K, self.NT, U))
            habit = rng.normal(0, .45, (nb, 1, 1, U))
            habit[..., len(hand) + len(odd):] += rng.normal(0, .6, (nb, 1, 1, len(PLAIN)))
            own = np.zeros((nb, K, 1, U))        # a brand's own sign of a part
            for b in range(nb):
                for k in range(K):
                    own[b, k, 0, rng.choice(U, 2, replace=False)] += 1.8
            self.units[c] = units
            self.phi[c] = softmax(lg[None, :, None, :] + top[None] + habit + own, 3)      # brand, part, way, unit
            self.topic[c] = rng.dirichlet(np.full(self.NT, 2.0), K)
            self.nffphi[c] = softmax(rng.normal(0, .7, U) + np.r_[np.full(len(hand), -.3), np.full(U - len(hand), .4)])
            self.bprior[c] = rng.normal(0, .35, (nb, K))
        self.prior = {}
        for m, mo in enumerate(self.cat.models):
            self.prior[m] = softmax(np.log(prior[mo["p"]] + 1e-30) + self.bprior[mo["category"]][BRANDS.index(mo["brand"])][None, :], 1)
        # a platform shows codes that mean something, codes that mean nothing, or none
        self.codes = []
        for pl in self.cat.platforms:
            K = len(COMPONENTS[pl["category"]])
            kind = ["meant", "noise", "none"][rng.choice(3, p=[.5, .3, .2])]
            if kind == "meant":
                show = np.clip(rng.beta(1.6, 2.2, K), .02, .95)
                q = np.full((K, len(CODES)), .012)
                for k in range(K):
                    q[k, rng.integers(0, len(CODES))] += 1
                q /= q.sum(1, keepdims=True)
            else:
                show = np.full(K, .25 if kind == "noise" else 0.0)
                q = np.tile(rng.dirichlet(np.ones(len(CODES))), (K, 1))
            self.codes.append((kind, show, q))

    @staticmethod
    def pn():
        return np.array([.22, .33, .24, .14, .07])

    def draw_text(self, rng, c, b, p, j):
        if j is None:
            w = self.nffphi[c]
        else:
            w = self.phi[c][b, j, rng.choice(self.NT, p=self.topic[c][j])]
        n = 1 + int(rng.choice(5, p=self.pn()))
        us = []
        w = w.copy()
        for _ in range(n):
            u = int(rng.choice(len(w), p=w / w.sum()))
            us.append(u)
            w[u] = 0
        kind, show, q = self.codes[p]
        code = None
        if j is None:
            if rng.random() < show.mean() * .5:
                code = int(rng.integers(0, len(CODES)))
        elif rng.random() < show[j]:
            code = int(rng.choice(len(CODES), p=q[j]))
        parts = []
        for u in us:
            ws = self.units[c][u].split(" ")
            parts.append(" ".join(slip(rng, x) if rng.random() < .07 else x for x in ws))
        if code is not None:
            k = CODES[code]
            t = str(rng.choice(CODE_FORMS)).format(c=k, l=k.lower(), s=k[0] + " " + k[1:])
            parts.insert(int(rng.integers(0, len(parts) + 1)), t)
        s = str(rng.choice(OPEN))
        s = s + " " if s else s
        for i, t in enumerate(parts):
            s += t + (str(rng.choice(JOIN, p=[.3, .25, .2, .08, .05, .05, .07])) if i + 1 < len(parts) else "")
        u = rng.random()
        s = s.strip()
        if u < .2:
            s = s[0].upper() + s[1:] + "."
        elif u < .25:
            s = s.upper()
        return s, us, code

    def words_like(self, c, b, us):
        """P(these units in this order | part) for a brand: drawn without replacement, mixed over the ways of failing."""
        phi = self.phi[c][b]
        like = np.ones(phi.shape[:2])
        left = np.ones(phi.shape[:2])
        for u in us:
            like = like * phi[:, :, u] / left
            left = left - phi[:, :, u]
        return (like * self.topic[c]).sum(1)

    def bayes(self, c, y, model, brand, a, us, code):
        post = np.zeros(len(COMPONENTS[c]))
        wl, cl = {}, {}
        for m, ai, w in self.cat.consistent(c, y, model, brand, a):
            mo = self.cat.models[m]
            b, p = BRANDS.index(mo["brand"]), mo["p"]
            if b not in wl:
                wl[b] = self.words_like(c, b, us)
            if p not in cl:
                _, show, q = self.codes[p]
                cl[p] = 1 - show if code is None else show * q[:, code]
            post += w * self.prior[m][ai] * wl[b] * cl[p]
        return post / post.sum()


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--seed", type=int, required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--jobs", type=int, default=8000)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    law = Law(a.seed)
    rng = np.random.default_rng([a.seed, 52])
    rows, bayes = [], []
    for i in range(a.jobs):
        c, day, y, m, ai = law.cat.draw(rng)
        mo = law.cat.models[m]
        nff = rng.random() < .08
        j = None if nff else int(rng.choice(len(COMPONENTS[c]), p=law.prior[m][ai]))
        comp = None if nff else COMPONENTS[c][j]
        text, us, code = law.draw_text(rng, c, BRANDS.index(mo["brand"]), mo["p"], j)
        km = rng.random() > .12
        known = dict(model=km, brand=km or rng.random() < .6, age=rng.random() > .15)
        named = rng.random() > .10
        sym, ft = text, ""
        u = rng.random()
        if u < .2:
            sym = "customer says " + text
        elif u < .28:
            sym, ft = "", "customer says: " + text
        r = job_row(rng, i, c, day, mo, AGES[ai], known, sym, comp, named, ft, nff)
        rows.append(r)
        if y == YEARS - 1 and not nff:
            q = law.bayes(c, y, m if km else None, mo["brand"] if known["brand"] else None, ai if known["age"] else None, us, code)
            bayes.append(dict(job_id=r["job_id"], category=c, component=comp, named=bool(named), symptoms=[text],
                              brand=r["brand"], model=r["model"], age=float(AGES[ai]) if known["age"] else None,
                              said=len(us) + (code is not None), code=code is not None,
                              p={k: round(float(v), 7) for k, v in zip(COMPONENTS[c], q)}))
    law.cat.write(a.out)
    write_jobs(a.out, rows)
    write_bayes(a.out, bayes)


if __name__ == "__main__":
    main()
