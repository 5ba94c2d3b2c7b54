"""Writing of small worlds, and an independent reckoning of what they should give, straight from the CSV files."""
import csv, json, math, shutil, tomllib
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parent
YEAR = 365.25


def d(text):
    return date.fromisoformat(text)


def plus(day, n):
    return day + timedelta(days=n)


def spread(n, first, last):
    """n days evenly over first..last, both ends included where n > 1."""
    first, last = (d(x) if isinstance(x, str) else x for x in (first, last))
    span = (last - first).days
    return [plus(first, round(span * (i + 0.5) / n)) for i in range(n)]


def toml_value(v):
    if isinstance(v, bool):
        return "true" if v else "false"
    if isinstance(v, (int, float)):
        return repr(v)
    if isinstance(v, (list, tuple)):
        return "[" + ", ".join(toml_value(x) for x in v) + "]"
    if isinstance(v, dict):
        return "{ " + ", ".join(f"{k} = {toml_value(x)}" for k, x in v.items()) + " }"
    return json.dumps(str(v), ensure_ascii=False)


class World:
    columns = {
        "jobs": "job_id closed_on booked_on category brand model serial machine_id made_on bought_on made_year age_years site component outcome labour_cost parts_cost charged currency".split(),
        "machines": "machine_id serial category brand model in_service_on entered_on left_on left_reason".split(),
        "models": "brand model category platform drum_design motor_type first_sold_on last_sold_on price_new".split(),
        "findings": "job_id step component role caused_by".split(),
        "parts": "job_id component part_number part_source quantity unit_cost ordered_on received_on unavailable".split(),
    }

    def __init__(self, place, name, title, story, as_of=None):
        self.place, self.name, self.title, self.story, self.as_of = place, name, title, story, as_of
        self.dir = ROOT / place / name
        self.shops = []
        self.expects = []
        self.rows = defaultdict(list)

    def shop(self, source, records=None, blank=None, folder=""):
        s = Shop(self, source, records, blank, folder)
        self.shops.append(s)
        return s

    def write(self):
        if self.dir.exists():
            shutil.rmtree(self.dir)
        self.dir.mkdir(parents=True)
        for s in self.shops:
            s.write()
        return Ref(self.dir, self)

    def expect(self, why, table, where, column=None, **check):
        """ref: the value reckoned from the CSV files; checked here against what is demanded."""
        ref = check.pop("ref", None)
        if ref is not None:
            if "equals" in check:
                assert abs(ref - check["equals"]) <= check.get("tolerance", 0) / 2 + 1e-9, (self.name, why, ref, check)
            if "min" in check:
                assert ref >= check["min"], (self.name, why, ref, check)
            if "max" in check:
                assert ref <= check["max"], (self.name, why, ref, check)
        self.expects.append((why, table, where, column, check))

    def count(self, why, table, where, column, n, ref=None):
        """A whole number, exact."""
        if ref is not None:
            assert ref == n, (self.name, why, ref, n)
        self.expect(why, table, where, column, equals=n, tolerance=0.001)

    def finish(self):
        out = [f"title = {toml_value(self.title)}", 'story = """' + self.story.strip() + '"""']
        if self.as_of:
            out.append(f"as_of = {toml_value(self.as_of)}")
        for s in self.shops:
            out += ["", "[[ingest]]", f"files = {toml_value(s.files)}"]
            if s.source:
                out.append(f"source = {toml_value(s.source)}")
            if s.mapping:
                out.append(f"mapping = {toml_value(s.mapping)}")
        for why, table, where, column, check in self.expects:
            out += ["", "[[expect]]", f"why = {toml_value(why)}", f"table = {toml_value(table)}", f"where = {toml_value(where)}"]
            if column:
                out.append(f"column = {toml_value(column)}")
            for k, v in check.items():
                out.append(f"{k} = {toml_value(v)}")
        path = self.dir / "world.toml"
        path.write_text("\n".join(out) + "\n", encoding="utf-8")
        w = tomllib.loads(path.read_text(encoding="utf-8"))
        for i in w["ingest"]:
            for f in i["files"]:
                assert (self.dir / f).is_file(), f
            if "mapping" in i:
                tomllib.loads((self.dir / i["mapping"]).read_text())
        size = sum(p.stat().st_size for p in self.dir.rglob("*") if p.is_file())
        assert size < 400_000, (self.name, size)
        assert len(w["expect"]) > 0
        print(f"{self.place}/{self.name}: {len(w['expect'])} expectations, {size // 1000} kB")


class Shop:
    def __init__(self, world, source, records, blank, folder):
        self.world, self.source, self.folder = world, source, folder
        self.tables = defaultdict(list)
        self.mapping = None
        self.records, self.blank = records, blank
        if records or blank:
            self.mapping = f"{source or 'shop'}.toml"
        self.n = 0

    def job(self, closed_on, **kw):
        self.n += 1
        kw.setdefault("job_id", f"J{self.n:05d}")
        kw["closed_on"] = str(closed_on) if closed_on else ""
        kw.setdefault("outcome", "repaired")
        self.tables["jobs"].append(kw)
        return kw

    def machine(self, **kw):
        self.tables["machines"].append(kw)
        return kw

    def model(self, **kw):
        self.tables["models"].append(kw)

    def finding(self, **kw):
        self.tables["findings"].append(kw)

    def part(self, **kw):
        self.tables["parts"].append(kw)

    def write(self):
        base = self.world.dir / self.folder
        base.mkdir(parents=True, exist_ok=True)
        self.files = []
        for t in ("jobs", "machines", "models", "findings", "parts"):
            rows = self.tables.get(t)
            if not rows:
                continue
            used = {k for r in rows for k, v in r.items() if v not in ("", None)}
            known = World.columns[t]
            assert used <= set(known), used - set(known)
            cols = [c for c in known if c in used]
            if t == "jobs":
                cols = [c for c in known if c in used or c in ("job_id", "closed_on", "outcome")]
            with open(base / f"{t}.csv", "w", newline="", encoding="utf-8") as f:
                wr = csv.writer(f, lineterminator="\n")
                wr.writerow(cols)
                for r in rows:
                    wr.writerow(["" if r.get(c) is None else r.get(c) for c in cols])
            self.files.append(f"{self.folder}/{t}.csv" if self.folder else f"{t}.csv")
        if self.mapping:
            lines = []
            if self.records:
                if self.records[0]:
                    lines.append(f'records_from = "{self.records[0]}"')
                if self.records[1]:
                    lines.append(f'records_to = "{self.records[1]}"')
            if self.blank:
                lines += ["", "[jobs.blank]"] + [f'{k} = "{v}"' for k, v in self.blank.items()]
            (self.world.dir / self.mapping).write_text("\n".join(lines).strip() + "\n", encoding="utf-8")


# ---------------------------------------------------------------------------------------------------------------
# The independent reckoning


class Ref:
    """Reads the CSV files back and applies the definitions."""

    def __init__(self, folder, world):
        self.jobs, self.stays, self.findings, self.models, self.parts = [], [], [], [], []
        self.window = {}
        alias = {}   # (source, serial) -> key
        cross = {}   # (serial, category, model) -> key
        canon = {}
        told = {}

        def find(k):
            while canon.get(k, k) != k:
                k = canon[k]
            return k

        def rows(p):
            if not p.is_file():
                return []
            with open(p, encoding="utf-8", newline="") as f:
                return list(csv.DictReader(f))

        def key(src, r):
            mid, sn = r.get("machine_id", ""), r.get("serial", "")
            if mid:
                k = (src, "id", mid)
                if sn:
                    alias.setdefault((src, sn), k)
            elif sn:
                k = alias.setdefault((src, sn), (src, "sn", sn, r.get("category"), r.get("model")))
            else:
                return None
            canon.setdefault(k, k)
            if sn:
                c = (sn, r.get("category"), r.get("model"))
                if c in cross:
                    a, b = find(cross[c]), find(k)
                    if a != b:
                        canon[b] = a
                else:
                    cross[c] = k
            return k

        for s in world.shops:
            base = folder / s.folder
            seen = told.setdefault(s.source, {})
            kept = []
            for r in rows(base / "machines.csv"):
                r["src"], r["key"] = s.source, key(s.source, r)
                self.stays.append(r)
            for r in rows(base / "jobs.csv"):
                if not r["closed_on"]:
                    continue
                r["src"] = s.source
                r["key"] = key(s.source, r)
                ident = (r["job_id"], r.get("machine_id", ""), r.get("serial", ""), r["closed_on"])
                if ident in seen:
                    seen[ident].clear()
                seen[ident] = r
                kept.append(r)
            kept = [r for r in kept if r]
            by_job = defaultdict(list)
            for r in rows(base / "findings.csv"):
                by_job[r["job_id"]].append(r)
            for r in kept:
                r["closed"] = d(r["closed_on"])
                r["day"] = d(r["booked_on"]) if r.get("booked_on") else r["closed"]
                f = sorted(by_job.get(r["job_id"], []), key=lambda x: int(x["step"]))
                r["findings"] = f
                cell = [c.strip() for c in r.get("component", "").split(";") if c.strip()]
                if f:
                    r["primary"] = [x["component"] for x in f if x["role"] == "primary"]
                elif cell:
                    r["primary"] = cell[:1]
                elif r["outcome"] in ("repaired", "condemned"):
                    r["primary"] = ["not_named"]
                else:
                    r["primary"] = []
                for c in ("labour_cost", "parts_cost", "charged"):
                    r[c] = float(r[c]) if r.get(c) else None
            self.jobs += kept
            closed = sorted(r["closed"] for r in kept)
            gap = (closed[-1] - closed[0]).days / (len(closed) - 1) if len(closed) > 1 else 0
            rec = s.records or (None, None)
            lo = d(rec[0]).toordinal() if rec[0] else closed[0].toordinal() - gap
            hi = d(rec[1]).toordinal() if rec[1] else closed[-1].toordinal() + gap
            self.window[s.source] = (lo, hi)
            self.parts += rows(base / "parts.csv")
            self.models += rows(base / "models.csv")
        self.jobs = [r for r in self.jobs if r]
        for r in self.jobs + self.stays:
            r["key"] = find(r["key"]) if r["key"] else None
        self.cut = (d(world.as_of) if world.as_of else max(r["closed"] for r in self.jobs)).toordinal()
        condemned = {}
        for r in self.jobs:
            if r["outcome"] == "condemned" and r["key"]:
                o = r["day"].toordinal()
                condemned[r["key"]] = min(o, condemned.get(r["key"], o))
        self.per = defaultdict(list)
        for r in self.stays:
            lo, hi = self.window[r["src"]]
            r["start"] = max(d(r["entered_on"]).toordinal(), lo)
            end = min(hi, self.cut)
            if r.get("left_on"):
                end = min(end, d(r["left_on"]).toordinal())
            if r["key"] in condemned:
                end = min(end, condemned[r["key"]])
            r["end"] = end
            r["birth"] = d(r["in_service_on"]).toordinal() if r.get("in_service_on") else None
            if r["end"] > r["start"]:
                self.per[r["key"]].append(r)
        self.byk = defaultdict(list)
        for r in self.jobs:
            if r["key"]:
                self.byk[r["key"]].append(r)
        for v in self.byk.values():
            v.sort(key=lambda r: r["day"])

    # -- rates
    def rate(self, comp=None, band=None, sel=lambda s: True, stays=None):
        ev = rep = 0
        ks, t = set(), 0.0
        per = defaultdict(lambda: [0, 0.0])
        for k, ss in self.per.items():
            for s in ss:
                if not sel(s):
                    continue
                a, b = s["start"], s["end"]
                if band:
                    if s["birth"] is None:
                        continue
                    a = max(a, s["birth"] + band[0] * YEAR)
                    b = min(b, s["birth"] + band[1] * YEAR) if band[1] else b
                if b <= a:
                    continue
                ks.add(k)
                t += b - a
                per[k][1] += (b - a) / YEAR
                last = {}
                for j in self.byk.get(k, []):
                    o = j["day"].toordinal()
                    inb = s["start"] <= o <= s["end"]
                    if band:
                        age = (o - s["birth"]) / YEAR
                        inb = inb and age >= band[0] and (band[1] is None or age < band[1])
                    hit = set(j["primary"]) if comp is None else set(j["primary"]) & {comp}
                    if inb and hit:
                        ev += 1
                        per[k][0] += 1
        t /= YEAR
        lam = ev / t if t else None
        n = len(per)
        se = math.sqrt(sum((x - lam * y) ** 2 for x, y in per.values()) * n / max(1, n - 1)) / t if t else None
        return dict(events=ev, machines=len(ks), years=t, rate=lam, se=se)

    # -- Kaplan-Meier with delayed entry
    def km(self, comp, at, sel=lambda s: True, naive=False):
        rec = []
        for k, ss in self.per.items():
            s = ss[0]
            assert len(ss) == 1
            if not sel(s) or s["birth"] is None:
                continue
            faults = [j["day"].toordinal() for j in self.byk.get(k, []) if (comp is None and j["primary"]) or comp in j["primary"]]
            if any(o < s["start"] for o in faults):
                continue
            faults = [o for o in faults if o <= s["end"]]
            ent = 0 if naive else s["start"] - s["birth"]
            rec.append((ent / YEAR, ((faults[0] if faults else s["end"]) - s["birth"]) / YEAR, bool(faults)))
        surv = 1.0
        for t in sorted({x for _, x, e in rec if e and x <= at}):
            risk = sum(1 for a, b, _ in rec if a < t <= b)
            surv *= 1 - sum(1 for _, b, e in rec if e and b == t) / risk
        return dict(machines=len(rec), surv=surv, rec=rec)

    # -- Nelson's mean cumulative number of repairs
    def mcf(self, sel=lambda s: True, least=10):
        iv, ev = [], []
        for k, ss in self.per.items():
            for s in ss:
                if not sel(s) or s["birth"] is None:
                    continue
                iv.append(((s["start"] - s["birth"]) / YEAR, (s["end"] - s["birth"]) / YEAR))
                for j in self.byk.get(k, []):
                    if s["start"] <= j["day"].toordinal() <= s["end"] and j["primary"]:
                        ev.append((j["day"].toordinal() - s["birth"]) / YEAR)
        out, m = [], 0.0
        for i, t in enumerate(sorted(ev)):
            y = sum(1 for a, b in iv if a < t <= b)
            if y < least:
                out.append((t, y, i + 1, None))
                continue
            m += 1 / y
            out.append((t, y, i + 1, m))
        return out

    # -- returns after a repair, machines outside the roster
    def recall(self, horizon, comp=None, same=False, unnamed="compete", sel=lambda j: True, roster=False):
        rec = []
        for k, js in self.byk.items():
            for i, j in enumerate(js):
                if j["outcome"] != "repaired" or not sel(j):
                    continue
                if comp and j["primary"][:1] != [comp]:
                    continue
                c = j["closed"].toordinal()
                nxt = next((x for x in js[i + 1:] if x["day"].toordinal() > c), None)
                last = self.cut
                if roster:
                    stay = [s for s in self.per.get(k, []) if s["start"] <= c <= s["end"]]
                    if not stay:
                        continue
                    last = stay[0]["end"]
                if nxt and nxt["day"].toordinal() <= last:
                    t = nxt["day"].toordinal() - c
                    if not same:
                        kind = "event"
                    elif nxt["primary"] == ["not_named"]:
                        kind = "other" if unnamed == "compete" else "censor"
                    else:
                        kind = "event" if nxt["primary"][:1] == j["primary"][:1] else "other"
                else:
                    t, kind = last - c, "censor"
                rec.append((t, kind))
        surv, cif = 1.0, 0.0
        for t in sorted({x for x, kind in rec if kind != "censor" and x <= horizon}):
            risk = sum(1 for x, _ in rec if x >= t)
            e = sum(1 for x, kind in rec if x == t and kind == "event")
            o = sum(1 for x, kind in rec if x == t and kind == "other")
            cif += surv * e / risk
            surv *= 1 - (e + o) / risk
        n = sum(1 for x, kind in rec if kind == "event" and x <= horizon)
        return dict(prob=cif, events=n, jobs=len(rec), naive=n / len(rec))


ALL = dict(scope_level="all", component="", age_from_years="")


def cat(c, **kw):
    return dict(scope_level="category", category=c, **kw)
