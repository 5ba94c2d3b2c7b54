"""World A: lists of symptoms in the customers' words, which come together because of a hidden severity and of each other.

    world_a.py --seed N --out DIR
Writes jobs.csv, models.csv and bayes.jsonl (the law's own probabilities for the jobs of the last year)."""
import argparse
import itertools
import os

import numpy as np

from oddslib import (AGES, CATEGORIES, COMPONENTS, YEARS, Catalogue, job_row, platform_priors, softmax, write_bayes,
                     write_jobs)

BRANDS = ["Kelmoora", "Brintavo", "Haskwend", "Tovelinn", "Quarnbeck", "Ulvessa", "Pardrow"]

# symptom: (severity loading, common phrasings, rare and odd phrasings)
PHRASES = {
    "washing_machine": {
        "no_turn": (.3, ["drum does not turn", "drum not turning", "drum won't go round"], ["drum just sits there"]),
        "no_spin": (.1, ["not spinning", "does not spin", "clothes come out soaking"], ["washing still dripping wet at the end"]),
        "noisy": (-.3, ["noisy on spin", "very loud when spinning", "rumbling noise"], ["sounds like a jet taking off"]),
        "leak": (.2, ["leaks from the front", "leaking", "water on the floor"], ["puddle creeping under the lino"]),
        "trips": (.6, ["trips the electrics", "blows the fuse", "trips the RCD"], ["whole house goes dark when it is on"]),
        "no_drain": (.1, ["will not drain", "not draining", "water stays in the drum"], ["left with a bath of grey soup"]),
        "no_heat": (-.1, ["no heat", "water stays cold", "not heating"], ["glass stone cold on a boil wash"]),
        "door": (.0, ["door will not open", "door will not lock", "door stuck shut"], ["porthole held hostage"]),
        "error": (.2, ["displays error code", "error code showing", "lights flashing"], ["flashing like a fruit machine"]),
        "smell": (-.4, ["smells", "burning smell", "bad smell"], ["whiffs like an old wet dog"]),
        "stops": (.3, ["stops mid cycle", "does not finish", "stops part way through"], ["gives up half way and sulks"]),
        "no_fill": (.0, ["does not fill", "no water coming in", "slow to fill"], ["dry as a bone inside"]),
        "dead": (.7, ["dead", "will not switch on", "no power"], ["not a peep out of it"]),
        "shakes": (-.3, ["vibrates badly", "shakes on spin", "moves across the floor"], ["walks out of the kitchen"]),
        "overfills": (.3, ["fills too much", "keeps filling", "will not stop filling"], ["water up past the window"]),
    },
    "tumble_dryer": {
        "no_turn": (.3, ["drum does not turn", "drum not turning", "motor hums but drum still"], ["hums a tune and goes nowhere"]),
        "no_heat": (.0, ["no heat", "not heating", "blows cold air"], ["cold as a church"]),
        "noisy": (-.3, ["noisy", "squealing noise", "thumping noise"], ["like a lorry full of spanners"]),
        "smell": (.1, ["burning smell", "smells hot", "smells of rubber"], ["pong of singed hair"]),
        "dead": (.6, ["dead", "will not start", "no power"], ["total silence when knob turned"]),
        "door": (.0, ["door will not stay shut", "does not start unless door held", "door will not close"], ["needs a chair against it to run"]),
        "stops": (.2, ["stops mid cycle", "cuts out after a few minutes", "does not finish"], ["runs out of puff"]),
        "slow": (-.4, ["takes too long to dry", "clothes still damp", "not drying properly"], ["three goes for one towel"]),
        "trips": (.7, ["trips the electrics", "blows the fuse", "trips the RCD"], ["bang and the lights went"]),
        "error": (.2, ["displays error code", "error code showing", "lights flashing"], ["christmas lights on the panel"]),
        "hot": (.3, ["overheats", "gets too hot", "clothes scorched"], ["baby vest came out toasted"]),
        "marks": (-.5, ["marks on clothes", "clothes torn", "black marks on washing"], ["buttons chewed off"]),
    },
    "dishwasher": {
        "dirty": (-.4, ["dishes not clean", "not washing properly", "food left on plates"], ["gritty mugs every time"]),
        "no_drain": (.1, ["will not drain", "water left in the bottom", "not draining"], ["a pond in the sump"]),
        "leak": (.3, ["leaks from the front", "leaking", "water on the floor"], ["kickboard swollen with wet"]),
        "no_heat": (-.1, ["not heating", "dishes still wet", "no heat"], ["plates stone cold after hot wash"]),
        "no_fill": (.0, ["does not fill", "no water coming in", "not taking water"], ["just gasps for water"]),
        "door": (.0, ["door will not close", "door will not open", "door will not lock"], ["door flops like a drawbridge"]),
        "error": (.2, ["displays error code", "error code showing", "lights flashing"], ["winks at me and refuses"]),
        "trips": (.7, ["trips the electrics", "trips the RCD", "blows the fuse"], ["knocks out the sockets"]),
        "noisy": (-.3, ["noisy", "grinding noise", "loud humming"], ["moans like a ghost"]),
        "stops": (.3, ["stops mid cycle", "does not finish", "will not complete the programme"], ["stuck for ever on one minute"]),
        "dead": (.6, ["dead", "will not start", "no power"], ["buttons do nowt"]),
        "smell": (-.4, ["smells", "burning smell", "bad smell"], ["drains and old fish"]),
        "overfills": (.3, ["fills too much", "keeps filling", "overflows"], ["gurgling in by itself at night"]),
    },
    "fridge_freezer": {
        "warm": (.4, ["not cold", "fridge too warm", "not cooling"], ["butter running off the shelf"]),
        "thaw": (.5, ["freezer defrosting", "freezer not freezing", "food thawing"], ["lollies gone to syrup"]),
        "ice": (-.2, ["ice building up", "freezer icing up", "frost at the back"], ["an igloo behind the drawers"]),
        "noisy": (-.3, ["noisy", "loud humming", "clicking noise"], ["chirps like a cricket"]),
        "runs": (-.1, ["runs all the time", "never switches off", "motor runs constantly"], ["never takes a breath"]),
        "water": (.0, ["water inside", "leaking", "water under the drawers"], ["salad drawer is a paddling pool"]),
        "trips": (.7, ["trips the electrics", "trips the RCD", "blows the fuse"], ["pops the breaker at night"]),
        "alarm": (.2, ["alarm sounding", "displays error code", "lights flashing"], ["beeps me out of bed"]),
        "cold": (-.2, ["too cold", "food freezing in the fridge", "milk freezes"], ["lettuce like glass"]),
        "smell": (-.4, ["smells", "bad smell", "burning smell"], ["something died in there smell"]),
        "dead": (.6, ["dead", "no power", "will not switch on"], ["no light no hum nothing"]),
    },
}
# which symptoms a failed part gives (weights; the others are rare)
GIVES = {
    "washing_machine": {
        "drum_bearings": dict(noisy=6, leak=1.5, shakes=1.5, no_turn=.5, stops=.4),
        "door_lock": dict(door=5, dead=1.5, error=1.5, stops=1.2, no_turn=.8, no_fill=.8),
        "drain_pump": dict(no_drain=5, error=2, no_spin=2, stops=2, leak=1, noisy=1, smell=.8, door=.6),
        "motor": dict(no_turn=4, no_spin=2, trips=1.5, smell=1.2, error=1, noisy=.9, stops=1),
        "carbon_brushes": dict(no_turn=3.5, no_spin=2.2, smell=1.4, stops=1.5, error=1, noisy=.6),
        "motor_control_board": dict(dead=3, error=2.5, no_turn=2, stops=2, trips=1, no_spin=1.5, smell=.5),
        "heating_element": dict(no_heat=4.5, trips=3, error=1.5, stops=1.2, smell=.8),
        "drive_belt": dict(no_turn=4, no_spin=2, smell=1.3, noisy=1),
        "pressure_switch": dict(overfills=3, no_drain=1.6, no_spin=1.3, stops=1.5, error=1.2, no_fill=1, no_heat=.7),
        "inlet_valve": dict(no_fill=4.5, leak=1.6, error=1.2, overfills=1.5, stops=.9),
        "shock_absorbers": dict(shakes=5, noisy=3, no_spin=1, stops=.4),
    },
    "tumble_dryer": {
        "dryer_belt": dict(no_turn=5, smell=1.2, noisy=.9, no_heat=.5, stops=.5),
        "dryer_heater": dict(no_heat=4, slow=2, trips=2, error=.8, smell=.6),
        "thermal_cutout": dict(no_heat=3, stops=2.5, slow=1.5, dead=1.5, hot=1, error=.6),
        "drum_rollers": dict(noisy=5, marks=1.6, smell=.8, no_turn=.7, stops=.5),
        "door_switch": dict(door=3, dead=3, stops=1.4, no_turn=.6),
        "motor": dict(no_turn=2.6, dead=1.8, noisy=1.5, smell=1.5, trips=1.2, stops=1.2, hot=.6),
    },
    "dishwasher": {
        "wash_pump": dict(dirty=3, noisy=2.2, leak=1.5, error=1, stops=1.2, trips=.8, no_heat=.6),
        "drain_pump": dict(no_drain=5, error=1.6, noisy=1, stops=1.5, smell=1.2, leak=.8),
        "heating_element": dict(no_heat=4, trips=2.5, dirty=1.2, stops=1, error=1.2),
        "door_lock": dict(door=4, dead=2, leak=1.2, stops=.9),
        "inlet_valve": dict(no_fill=4, overfills=1.6, error=1.2, leak=1, dirty=.7, noisy=.5),
        "spray_arm": dict(dirty=5, noisy=1.6, leak=.8, smell=.5),
    },
    "fridge_freezer": {
        "compressor": dict(warm=3, thaw=2.5, noisy=1.8, trips=1.4, runs=1.2, dead=.6, alarm=.7),
        "thermostat": dict(warm=2, cold=2.6, runs=1.6, thaw=1.2, dead=.6, ice=.8),
        "evaporator_fan": dict(warm=2.4, noisy=2.8, ice=1.4, alarm=.8, thaw=.6),
        "defrost_heater": dict(ice=3.2, warm=1.8, water=2.2, trips=.8, noisy=.8, alarm=.7),
    },
}
TOGETHER = [({"leak", "error", "stops"}, 2.6), ({"no_drain", "no_spin", "smell"}, 2.2), ({"noisy", "shakes"}, 2.2),
            ({"trips", "dead"}, 2.0), ({"trips", "smell"}, 1.7), ({"no_heat", "slow", "dirty"}, 2.0),
            ({"warm", "thaw", "alarm"}, 2.4), ({"ice", "water"}, 2.0), ({"no_turn", "smell"}, 1.8)]
APART = [({"dead", "noisy"}, .3), ({"dead", "leak"}, .35), ({"no_fill", "overfills"}, .15), ({"cold", "warm"}, .25),
         ({"no_turn", "shakes"}, .2), ({"dead", "error"}, .4), ({"no_fill", "no_drain"}, .4)]
Z = np.array([-1.5, -.75, 0, .75, 1.5])
ZLOG = -.5 * Z ** 2 / .8
DIAGNOSIS = {
    "drum_bearings": ["drum bearings rumbling, seal gone", "rear bearing collapsed", "bearing shot, play in drum"],
    "door_lock": ["door lock burnt contacts", "interlock not making, replaced"],
    "drain_pump": ["pump impeller broken off", "drain pump seized with a coin, replaced"],
    "motor": ["motor windings open circuit", "motor burnt out"],
    "carbon_brushes": ["brushes worn to 3 mm", "carbons worn out, fitted pair"],
    "motor_control_board": ["motor control board burnt triac", "motor control board dead"],
    "heating_element": ["element down to earth", "element open circuit"],
    "drive_belt": ["belt off and frayed", "belt snapped"],
    "pressure_switch": ["pressure switch stuck", "air chamber clear, pressure switch faulty"],
    "inlet_valve": ["inlet valve coil open", "fill valve letting by"],
    "shock_absorbers": ["dampers gone slack", "shock absorber broken off"],
    "dryer_belt": ["belt snapped", "belt stretched and slipping"], "dryer_heater": ["heater open circuit", "heater coil broken"],
    "thermal_cutout": ["TOC blown, reset and replaced", "thermal cutout open"],
    "drum_rollers": ["drum rollers worn flat", "rear rollers seized"], "door_switch": ["door switch not clicking", "microswitch broken"],
    "wash_pump": ["circulation pump seized", "wash pump seal leaking"], "spray_arm": ["spray arm cracked", "lower arm split along seam"],
    "compressor": ["compressor low on pumping", "compressor stuck, pulling high current"],
    "thermostat": ["thermostat not cutting in", "stat stuck closed"], "evaporator_fan": ["evap fan iced and seized", "fan motor dead"],
    "defrost_heater": ["defrost heater open", "evaporator blocked with ice, heater dead"],
}


class Law:
    def __init__(self, seed):
        rng = np.random.default_rng([seed, 41])
        self.cat = Catalogue(rng, BRANDS, dict(washing_machine=4, tumble_dryer=2, dishwasher=2, fridge_freezer=2), 3,
                             [.44, .19, .22, .15])
        self.prior = platform_priors(rng, self.cat, .55, .04)
        self.sym, self.theta, self.load, self.aff, self.phr, self.zc, self.nff = {}, {}, {}, {}, {}, {}, {}
        for c in CATEGORIES:
            syms = list(PHRASES[c])
            comps = COMPONENTS[c]
            th = np.full((len(comps), len(syms)), .10)
            for j, k in enumerate(comps):
                for s, v in GIVES[c][k].items():
                    th[j, syms.index(s)] = v
            th = th * np.exp(rng.normal(0, .35, th.shape))
            self.sym[c], self.theta[c] = syms, th / th.sum(1, keepdims=True)
            self.load[c] = np.array([PHRASES[c][s][0] for s in syms]) * 1.2 + rng.normal(0, .1, len(syms))
            A = np.ones((len(syms), len(syms)))
            for group, f in TOGETHER + APART:
                for s, t in itertools.permutations(group, 2):
                    if s in syms and t in syms:
                        A[syms.index(s), syms.index(t)] *= f * np.exp(rng.normal(0, .15))
            self.aff[c] = A
            ph = []          # per symptom: phrasings, and P(phrasing | component)
            for s in syms:
                _, common, odd = PHRASES[c][s]
                base = np.log(np.concatenate([rng.dirichlet(np.full(len(common), 3.0)) * .93, np.full(len(odd), .07 / len(odd))]) + 1e-3)
                tilt = rng.normal(0, .35, (len(comps) + 1, len(base)))
                tilt[:, len(common):] *= 2
                ph.append((common + odd, softmax(base + tilt, 1)))
            self.phr[c] = ph
            self.zc[c] = rng.normal(0, .35, len(comps))       # a part's usual severity
            self.nff[c] = rng.dirichlet(np.ones(len(syms)) * .8 + 2 * (np.array([PHRASES[c][s][0] for s in syms]) < 0))
        # a platform without a display seldom shows a code; some platforms are noisy or smelly whatever fails
        self.plat = []
        for pl in self.cat.platforms:
            syms = self.sym[pl["category"]]
            mult = np.exp(rng.normal(0, .25, len(syms)))
            for s in ("error", "alarm"):
                if s in syms and rng.random() < .4:
                    mult[syms.index(s)] *= .15
            self.plat.append(mult)

    def pz(self, c, a):
        """P(severity | component, age)"""
        return softmax(ZLOG[None, :] + Z[None, :] * (self.zc[c][:, None] + .06 * (AGES[a] - 5)), 1)

    @staticmethod
    def pn():
        return softmax(np.array([.5, .55, .1, -.7])[None, :] + Z[:, None] * .45 * np.arange(4)[None, :], 1)

    def weights(self, c, p):
        return self.theta[c][:, None, :] * np.exp(self.load[c][None, None, :] * Z[None, :, None]) * self.plat[p][None, None, :]

    def set_like(self, c, p, idx):
        """P(this set of symptoms | component, severity), over the orders in which they may have come to mind."""
        W = self.weights(c, p)
        A = self.aff[c]
        tot = np.zeros(W.shape[:2])
        for perm in itertools.permutations(idx):
            like = np.ones(W.shape[:2])
            cur = W
            for s in perm:
                like = like * cur[:, :, s] / cur.sum(2)
                cur = cur * A[s][None, None, :]
                cur = cur.copy()
                cur[:, :, s] = 0
            tot += like
        return tot * self.pn()[:, len(idx) - 1][None, :]

    def draw_symptoms(self, rng, c, p, j, a):
        z = rng.choice(len(Z), p=self.pz(c, a)[j]) if j is not None else int(rng.integers(0, 3))
        n = 1 + rng.choice(4, p=self.pn()[z])
        w = (self.theta[c][j] if j is not None else self.nff[c]) * np.exp(self.load[c] * Z[z]) * self.plat[p]
        out = []
        for _ in range(n):
            s = rng.choice(len(w), p=w / w.sum())
            out.append(int(s))
            w = w * self.aff[c][s]
            w[s] = 0
        rng.shuffle(out)
        jj = j if j is not None else len(COMPONENTS[c])
        return out, [int(rng.choice(len(self.phr[c][s][0]), p=self.phr[c][s][1][jj])) for s in out]

    def bayes(self, c, y, model, brand, a, idx, phr):
        rows = self.cat.consistent(c, y, model, brand, a)
        post = np.zeros(len(COMPONENTS[c]))
        plh = np.ones(len(COMPONENTS[c]))
        for s, k in zip(idx, phr):
            plh *= self.phr[c][s][1][:-1, k]
        like = {}
        pzs = {}
        for m, ai, w in rows:
            p = self.cat.models[m]["p"]
            if p not in like:
                like[p] = self.set_like(c, p, idx)
            if ai not in pzs:
                pzs[ai] = self.pz(c, ai)
            post += w * self.prior[p][ai] * (pzs[ai] * like[p]).sum(1)
        post *= plh
        return post / post.sum()


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--seed", type=int, required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--jobs", type=int, default=12000)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    law = Law(a.seed)
    rng = np.random.default_rng([a.seed, 42])
    rows, bayes = [], []
    for i in range(a.jobs):
        c, day, y, m, ai = law.cat.draw(rng)
        mo = law.cat.models[m]
        nff = rng.random() < .07
        j = None if nff else int(rng.choice(len(COMPONENTS[c]), p=law.prior[mo["p"]][ai]))
        comp = None if nff else COMPONENTS[c][j]
        idx, phr = law.draw_symptoms(rng, c, mo["p"], j, ai)
        text = [law.phr[c][s][0][k] for s, k in zip(idx, phr)]
        km = rng.random() > .10
        known = dict(model=km, brand=km or rng.random() < .6, age=rng.random() > .12)
        named = rng.random() > .10
        ft = ""
        if rng.random() < .20:
            ft = "tested ok, no fault found" if nff else str(rng.choice(DIAGNOSIS[comp]))
        r = job_row(rng, i, c, day, mo, AGES[ai], known, "; ".join(text), comp, named, ft, nff)
        rows.append(r)
        if y == YEARS - 1 and not nff:
            q = law.bayes(c, y, m if km else None, mo["brand"] if known["brand"] else None, ai if known["age"] else None, idx, phr)
            bayes.append(dict(job_id=r["job_id"], category=c, component=comp, named=bool(named), symptoms=text,
                              brand=r["brand"], model=r["model"], age=float(AGES[ai]) if known["age"] else None,
                              p={k: round(float(v), 7) for k, v in zip(COMPONENTS[c], q)}))
    law.cat.write(a.out)
    write_jobs(a.out, rows)
    write_bayes(a.out, bayes)


if __name__ == "__main__":
    main()
