"""The closed worlds: scored only, not to be read by whoever writes the program."""
import math
import random
from datetime import date

from generate import age_mix, calm_seed, mac, wd
from worldkit import ALL, YEAR, World, cat, d, plus, spread

WORLDS = []


def world(f):
    WORLDS.append(f)
    return f


@world
def c01():
    w = World("closed", "01_clocks_missing", "Rented dryers of unknown age", """
150 tumble dryers: 70 with a first day of use on the roster, 80 without, in care from 2019-07-01 (90 of them, 50 with a clock) or 2021-07-01 (60, 20 with a clock) to 2023-06-30.
Machine-years: 90 x 4 + 60 x 2 = 480. Faults: 25 on machines with a clock and 35 on those without, of which 21 have a job that tells when the machine was made or how old it is:
60 / 480 = 0.125 a year over all ages. Bands and curves know only the 70.
""", "2023-06-30")
    s = w.shop("strand", ("2019-07-01", "2023-06-30"))
    m = mac("tumble_dryer", "Brandyl", "BN 8")
    clocked, dark = [], []
    for i in range(150):
        early = i < 90
        has = i < 50 or i >= 130
        (clocked if has else dark).append((f"Y{i + 1}", early))
        s.machine(machine_id=f"Y{i + 1}", **m, in_service_on=("2018-07-01" if early else "2021-07-01") if has else "", entered_on="2019-07-01" if early else "2021-07-01")
    for i, day in enumerate(spread(25, "2021-08-01", "2023-06-01")):
        s.job(day, machine_id=clocked[(i * 17) % 70][0], **m, component="dryer_heater" if i % 5 else "thermal_cutout")
    for i, day in enumerate(spread(35, "2021-08-01", "2023-06-01")):
        kw = dict(made_on="2016-03-01") if i < 12 else dict(age_years=6) if i < 21 else {}
        s.job(day, machine_id=dark[(i * 23) % 80][0], **m, component="dryer_heater", **kw)
    r = w.write()
    x = r.rate()
    w.count("all faults", "failure_rate", ALL, "events", 60, x["events"])
    w.count("all machines", "failure_rate", ALL, "machines", 150, x["machines"])
    w.expect("all time", "failure_rate", ALL, "machine_years", equals=480, tolerance=1.5, ref=x["years"])
    w.expect("60 / 480", "failure_rate", ALL, "estimate", equals=0.125, tolerance=0.001, ref=x["rate"])
    for lo in (0, 1, 2, 3, 4):
        x = r.rate(band=(lo, lo + 1))
        wh = dict(ALL, age_from_years=lo)
        w.expect(f"machine-years of the clocked at {lo}", "failure_rate", wh, "machine_years", equals=round(x["years"], 2), tolerance=0.4, ref=x["years"])
        if x["events"]:
            w.count(f"their faults at {lo}", "failure_rate", wh, "events", x["events"])
    x = r.rate("dryer_heater")
    w.count("heaters over all ages", "failure_rate", dict(ALL, component="dryer_heater"), "events", 55, x["events"])
    for at in (3, 4):
        k = r.km("dryer_heater", at)
        wh = dict(scope_level="all", component="dryer_heater", curve="survival", age_years=at)
        w.count("only machines with a clock", "life", wh, "machines", 70, k["machines"])
        w.expect(f"Kaplan-Meier at {at}", "life", wh, "estimate", equals=round(k["surv"], 4), tolerance=0.004, ref=k["surv"])
    return w


@world
def c02():
    w = World("closed", "02_both_ends_by_default", "A notebook found in a drawer", """
Shop bell: 45 washing machines in care from 2005-01-01, no word of their leaving. Its notebook holds 41 jobs from 2011-03-01 to 2016-02-28: 1825 days, a gap of 45.6, so that the
notebook speaks from about 2011-01-14 to 2016-04-14: 5.25 years x 45 = 236 machine-years.
Shop tide says that its records begin on 2017-01-01, nothing about their end: 25 washing machines in care since 2012-01-01; the last of its 50 jobs, 2023-12-20, is the cut-off:
6.97 x 25 = 174 machine-years.
""")
    s = w.shop("bell", folder="bell")
    a, b = mac(brand="Brandyl", model="BN 40"), mac(brand="Corvesk", model="CV 2")
    for i in range(45):
        s.machine(machine_id=f"{i + 1}", **a, in_service_on="2005-01-01", entered_on="2005-01-01")
    for i in range(41):
        s.job(plus(d("2011-03-01"), round(1825 * i / 40)), machine_id=f"{(i * 11) % 45 + 1}", **a, component="pressure_switch")
    s = w.shop("tide", ("2017-01-01", None), folder="tide")
    for i in range(25):
        s.machine(machine_id=f"{i + 1}", **b, in_service_on="2012-01-01", entered_on="2012-01-01")
    for i in range(50):
        s.job(plus(d("2017-02-01"), round(2513 * i / 49)), machine_id=f"{(i * 7) % 25 + 1}", **b, component="shock_absorbers")
    r = w.write()
    for brand, ev, yrs in (("Brandyl", 41, 236.3), ("Corvesk", 50, 174.2)):
        x = r.rate(sel=lambda q: q["brand"] == brand)
        wh = dict(scope_level="brand", component="", age_from_years="", events=ev)
        w.expect(f"{brand}: only while there were records", "failure_rate", wh, "machine_years", equals=yrs, tolerance=2.5, ref=x["years"])
        w.expect("the rate", "failure_rate", wh, "estimate", equals=round(ev / yrs, 4), tolerance=0.003, ref=x["rate"])
    x = r.rate()
    w.expect("both", "failure_rate", ALL, "machine_years", equals=410.5, tolerance=4, ref=x["years"])
    w.count("70 machines", "failure_rate", ALL, "machines", 70, x["machines"])
    x = r.rate(band=(8, 9))
    w.expect("age 8 to 9: both shops have it", "failure_rate", dict(ALL, age_from_years=8), "machine_years", equals=70, tolerance=0.5, ref=x["years"])
    x = r.rate(band=(5, 6))
    w.expect("age 5 to 6: only the shop tide, and bell not before its notebook", "failure_rate", dict(ALL, age_from_years=5), "machine_years", equals=25, tolerance=0.3, ref=x["years"])
    return w


@world
def c03():
    w = World("closed", "03_scrapped_quietly", "Condemned by a job sheet, still on the plan", """
120 fridge freezers on a plan from 2017-01-01. Job sheets condemn 72 of them, 24 in each of the years 2018, 2019 and 2020 (spread evenly, 1.5, 2.5 and 3.5 years in), 30 with the compressor
and 42 with no part named; for 20 of the 72 the plan says that they left on 2022-12-31, for the others nothing. Machine-years to 2023-12-31: 24 x (1.5 + 2.5 + 3.5) + 48 x 7 = 516.
Faults: 72 and 57 repaired ones, 129: 0.25 a year. 25 jobs on other machines end as unknown, one way or another.
""", "2023-12-31")
    s = w.shop("gate", ("2017-01-01", "2023-12-31"))
    m = mac("fridge_freezer", "Corvesk", "CV 180")
    for i in range(120):
        s.machine(machine_id=f"R{i + 1}", **m, in_service_on="2017-01-01", entered_on="2017-01-01", left_on="2022-12-31" if i % 3 == 0 and i < 60 else "", left_reason="plan_ended" if i % 3 == 0 and i < 60 else "")
    k = 0
    for y in (2018, 2019, 2020):
        for day in spread(24, f"{y}-01-02", f"{y}-12-30"):
            s.job(day, machine_id=f"R{k + 1}", **m, component="compressor" if k % 12 < 5 else "", outcome="condemned")
            k += 1
    for i, day in enumerate(spread(57, "2017-02-01", "2023-12-01")):
        s.job(day, machine_id=f"R{73 + (i * 7) % 48}", **m, component="thermostat" if i % 2 else "defrost_heater")
    for i, day in enumerate(spread(25, "2018-02-01", "2023-10-01")):
        s.job(day, **m, component="thermostat", age_years=5 if i < 10 else "", outcome="" if i % 2 else "unknown")
    r = w.write()
    x = r.rate()
    w.expect("no time from condemned machines", "failure_rate", ALL, "machine_years", equals=516, tolerance=3, ref=x["years"])
    w.count("72 + 57", "failure_rate", ALL, "events", 129, x["events"])
    w.expect("0.25", "failure_rate", ALL, "estimate", equals=0.25, tolerance=0.002, ref=x["rate"])
    x = r.rate("not_named")
    w.count("42 not named", "failure_rate", dict(ALL, component="not_named"), "events", 42, x["events"])
    for lo in (4, 5, 6):
        x = r.rate(band=(lo, lo + 1))
        w.expect(f"48 are left at age {lo}", "failure_rate", dict(ALL, age_from_years=lo), "machine_years", equals=48, tolerance=0.8, ref=x["years"])
    x = r.rate(band=(2, 3))
    w.expect("half of the second 24 have gone during age 2", "failure_rate", dict(ALL, age_from_years=2), "machine_years", equals=84, tolerance=1, ref=x["years"])
    wh = dict(scope_level="all", outcome="unknown", not_repaired_reason="")
    w.count("unknown counted", "outcome", wh, "events", 25, sum(j["outcome"] in ("", "unknown") for j in r.jobs))
    w.count("of all jobs", "outcome", wh, "jobs", 154, len(r.jobs))
    w.expect("25 / 154", "outcome", wh, "estimate", equals=0.1623, tolerance=0.0005)
    w.count("72 condemned", "outcome", dict(wh, outcome="condemned"), "events", 72)
    return w


@world
def c04():
    w = World("closed", "04_in_and_out", "Hire machines in three spells", """
36 hire dryers are out for three spells: all of 2015, the two years 2017 and 2018, and 2021 to 2023; 1 + 2 + 3 = 6 years each, 216 machine-years. Six others have a spell that lies inside
another (2015 to 2020, and within it 2016): at most five years each, at least nothing. Exposure 216 to 246. 54 faults in the spells; 27 jobs in the years between (2016, 2019, 2020).
""", "2023-12-31")
    s = w.shop("yard", ("2015-01-01", "2023-12-31"))
    m = mac("tumble_dryer", "Corvesk", "CV 77")
    spells = [("2015-01-01", "2016-01-01"), ("2017-01-01", "2019-01-01"), ("2021-01-01", "")]
    for i in range(36):
        for a, b in spells if i % 2 else spells[::-1]:
            s.machine(machine_id=f"I{i + 1}", **m, in_service_on="2014-01-01", entered_on=a, left_on=b, left_reason="moved" if b else "")
    for i in range(6):
        s.machine(machine_id=f"O{i + 1}", **m, in_service_on="2014-01-01", entered_on="2015-01-01", left_on="2020-01-01", left_reason="moved")
        s.machine(machine_id=f"O{i + 1}", **m, in_service_on="2014-01-01", entered_on="2016-01-01", left_on="2017-01-01", left_reason="moved")
    k = 0
    for n, a, b in ((9, "2015-02-01", "2015-12-01"), (18, "2017-02-01", "2018-12-01"), (27, "2021-02-01", "2023-12-01")):
        for day in spread(n, a, b):
            s.job(day, machine_id=f"I{(k * 5) % 36 + 1}", **m, component="drum_rollers")
            k += 1
    for n, a, b in ((12, "2016-02-01", "2016-11-30"), (15, "2019-02-01", "2020-11-30")):
        for day in spread(n, a, b):
            s.job(day, machine_id=f"I{(k * 5) % 36 + 1}", **m, component="door_switch")
            k += 1
    r = w.write()
    x = r.rate(sel=lambda q: q["machine_id"][0] == "I")
    assert x["events"] == 54 and abs(x["years"] - 216) < 0.4, x
    w.expect("three spells, and the doubled six never twice", "failure_rate", ALL, "machine_years", min=215, max=246.8)
    w.count("only faults in a spell", "failure_rate", ALL, "events", 54)
    w.expect("none of the door switches", "failure_rate", dict(scope_level="all", component="door_switch", age_from_years="", events=27), rows=0)
    for lo, yrs in ((3, 36), (4, 36), (7, 36), (9, 36)):
        x = r.rate(band=(lo, lo + 1), sel=lambda q: q["machine_id"][0] == "I")
        w.expect(f"all are out at age {lo}", "failure_rate", dict(ALL, age_from_years=lo), "machine_years", min=yrs - 0.3, max=yrs + (6.1 if lo < 6 else 0.3), ref=x["years"])
    w.expect("none of the 36 is out at age 5", "failure_rate", dict(ALL, age_from_years=5, machines=36), rows=0)
    return w


@world
def c05():
    w = World("closed", "05_serials_across_shops", "The same sticker on two machines, and one machine in two shops", """
No roster, no machine numbers: serial numbers only. Three shops count their jobs from 1. 120 machines are repaired in shop alder; 30 of them come back within 60 days to shop birch, same
kind, model and serial: returns. 24 more jobs of birch bear a serial of alder's by accident, on another model: no returns. Shop cedar (60 dishwashers) uses serials of alder's too: another kind.
Within shop cedar two benches count from 1, so that each job number is used twice, for different machines and days: 60 jobs, 30 numbers.
First repairs: 120 + 30 + 24 + 60 = 234; returns within 90 days: 30.
""", "2024-12-31")
    a, b, c = mac(brand="Brandyl", model="BN 51"), mac(brand="Corvesk", model="CV 9"), mac("dishwasher", "Merrowick", "MW 12")
    s = w.shop("alder", folder="alder")
    days = spread(120, "2022-01-10", "2023-10-30")
    for i, day in enumerate(days):
        s.job(day, job_id=str(i + 1), serial=f"77{1000 + i}", **a, component="drain_pump", labour_cost=40, parts_cost=20, currency="GBP")
    s = w.shop("birch", folder="birch")
    k = 0
    for i in range(30):
        k += 1
        s.job(plus(days[i * 4], 30 + i), job_id=str(k), serial=f"77{1000 + i * 4}", **a, component="drain_pump" if i % 3 else "door_lock", labour_cost=40, parts_cost=20, currency="GBP")
    for i in range(24):
        k += 1
        s.job(plus(days[i * 4 + 1], 20 + i), job_id=str(k), serial=f"77{1001 + i * 4}", **b, component="drain_pump", labour_cost=40, parts_cost=20, currency="GBP")
    s = w.shop("cedar", folder="cedar")
    for i in range(60):
        s.job(plus(days[i * 2], 15), job_id=str(i % 30 + 1), serial=f"77{1000 + i * 2}", **c, component="wash_pump", labour_cost=40, parts_cost=20, currency="GBP")
    r = w.write()
    rec = dict(scope_level="all", component="", part_source="", repair_scope="", roster_only=False)
    x = r.recall(90)
    w.count("repairs followed", "recall", dict(rec, horizon_days=90, same_fault=False), "jobs", 234, x["jobs"])
    w.count("returns to another shop", "recall", dict(rec, horizon_days=90, same_fault=False), "events", 30, x["events"])
    w.expect("30 / 234", "recall", dict(rec, horizon_days=90, same_fault=False), "estimate", equals=0.1282, tolerance=0.001, ref=x["prob"])
    x = r.recall(90, None, True)
    w.count("with the same fault", "recall", dict(rec, horizon_days=90, same_fault=True), "events", 20, x["events"])
    w.expect("20 / 234", "recall", dict(rec, horizon_days=90, same_fault=True), "estimate", equals=0.0855, tolerance=0.001, ref=x["prob"])
    x = r.recall(90, sel=lambda j: j["category"] == "dishwasher")
    assert x["events"] == 0
    w.expect("no dishwasher returns", "recall", dict(rec, scope_level="category", category="dishwasher", horizon_days=90, same_fault=False), "events", max=0)
    wh = dict(outcome="repaired", not_repaired_reason="")
    w.count("no job is lost", "outcome", dict(scope_level="all", **wh), "events", 234, len(r.jobs))
    w.count("two benches, one row of numbers", "outcome", cat("dishwasher", **wh), "events", 60)
    w.count("in the shares too", "fault_share", dict(scope_level="all", component="wash_pump", role="primary", statistic="share"), "events", 60)
    return w


@world
def c06():
    w = World("closed", "06_three_ages_of_entry", "Refurbished machines of three ages, and where the curve of repairs ends", """
50 dishwashers enter at age 3, 40 at age 6, 8 at age 12, all on 2018-01-01, watched for five years. Curves are conditional on age 3, the first age at which anyone is at risk.
At ages 12-17 only eight are at risk: the mean number of repairs must end before. Up to then it is the sum of 1 over the number at risk: 50 from 3 to 6, 90 from 6 to 8, 40 from 8 to 11.
""", "2022-12-31")
    s = w.shop("weald", ("2018-01-01", "2022-12-31"))
    m = mac("dishwasher", "Merrowick", "MW 400")
    for p, n, born in (("A", 50, "2015-01-01"), ("B", 40, "2012-01-01"), ("C", 8, "2006-01-01")):
        for i in range(n):
            s.machine(machine_id=f"{p}{i + 1}", **m, in_service_on=born, entered_on="2018-01-01")
    for p, n, k, lo in (("A", 26, 50, "2018-02-03"), ("B", 34, 40, "2018-02-14"), ("C", 9, 8, "2018-03-01")):
        for i, day in enumerate(spread(n, lo, "2022-12-12")):
            s.job(day, machine_id=f"{p}{(i * 7) % k + 1}", **m, component="wash_pump" if (i + (p == "B")) % 3 else "inlet_valve")
    r = w.write()
    for at in (5, 7, 9, 11):
        k = r.km("wash_pump", at)
        bad = r.km("wash_pump", at, naive=True)["surv"]
        wh = dict(scope_level="all", component="wash_pump", curve="survival", age_years=at)
        if at < 11:
            w.expect(f"delayed entry at {at}", "life", wh, "estimate", equals=round(k["surv"], 4), tolerance=0.005, ref=k["surv"])
        if at > 5:
            assert abs(bad - k["surv"]) > 0.02
    f = r.mcf()
    good = [x for x in f if x[3] is not None]
    assert len(good) == 60 and good[-1][1] == 40
    for n in (20, 40, 60):
        w.expect(f"Nelson's estimate after {n} repairs", "recurrence", dict(scope_level="all", events=n), "estimate", equals=round(good[n - 1][3], 4), tolerance=0.006, ref=good[n - 1][3])
    w.expect("not where eight are left", "recurrence", dict(scope_level="all", at_risk=8), rows=0)
    w.expect("nor beyond", "recurrence", dict(scope_level="all", events=69), rows=0)
    for lo, yrs in ((4, 50), (7, 90), (9, 40)):
        x = r.rate(band=(lo, lo + 1))
        w.expect(f"exposure at {lo}", "failure_rate", dict(ALL, age_from_years=lo), "machine_years", equals=yrs, tolerance=0.4, ref=x["years"])
        w.count(f"faults at {lo}", "failure_rate", dict(ALL, age_from_years=lo), "events", x["events"])
    x = r.rate(band=(12, 15))
    w.expect("in the rates the eight count", "failure_rate", dict(ALL, age_from_years=12), "machine_years", equals=24, tolerance=0.2, ref=x["years"])
    return w


@world
def c07():
    w = World("closed", "07_named_badly", "Sloppy sheets: no part, two parts, brushes on a motor that has none, birthdays", """
64 washing machines, all in use and care since 2008-01-01, records from 2015-01-01 to 2021-12-31: 64 x 7 = 448 machine-years. 32 are of a brushless model, 32 of a brushed one.
Faults, each on its own job: 18 booked on 2016-01-01, when they are 2922 days = exactly eight years old (band 8-9), 8 of them on brushless machines with "carbon_brushes" written down all the same;
12 on 2020-01-01, 4383 days = exactly twelve (band 12-15). 15 are repaired with no part named. 9 have "motor; drive_belt" in the cell, 7 "drive_belt; motor" with findings that make the motor the cause of the belt.
Any fault: 18 + 12 + 15 + 9 + 7 = 61. Motor primary: 9 + 7. Drive belt primary: none by these. Brushes exist on 32 machines only: 224 machine-years.
""", "2021-12-31")
    s = w.shop("toll", ("2015-01-01", "2021-12-31"))
    a, b = mac(brand="Merrowick", model="MW 70"), mac(brand="Brandyl", model="BN 95")
    s.model(**a, motor_type="brushless")
    s.model(**b, motor_type="brushed")
    for i in range(64):
        s.machine(machine_id=f"W{i + 1}", **(a if i < 32 else b), in_service_on="2008-01-01", entered_on="2008-01-01")

    def put(day, i, comp, **kw):
        return s.job(day, machine_id=f"W{i + 1}", **(a if i < 32 else b), component=comp, **kw)
    for i in range(18):
        put("2016-01-07", i if i < 8 else 32 + i, "carbon_brushes" if i < 8 else "inlet_valve", booked_on="2016-01-01")
    for i in range(12):
        put("2020-01-01", 50 + i, "carbon_brushes" if i % 2 else "inlet_valve")
    for i, day in enumerate(spread(15, "2017-02-01", "2017-12-01")):
        put(day, i * 4 + 1, "")
    for i, day in enumerate(spread(9, "2018-02-01", "2018-12-01")):
        put(day, i * 7, "motor; drive_belt")
    for i, day in enumerate(spread(7, "2021-02-01", "2021-12-01")):
        j = put(day, i * 9 + 1, "drive_belt; motor")
        s.finding(job_id=j["job_id"], step=1, component="motor", role="primary")
        s.finding(job_id=j["job_id"], step=2, component="drive_belt", role="consequential", caused_by=1)
    r = w.write()
    x = r.rate()
    w.count("any fault, each job once, whatever the catalogue says", "failure_rate", ALL, "events", 61, x["events"])
    w.expect("64 x 7", "failure_rate", ALL, "machine_years", equals=448, tolerance=1.5, ref=x["years"])
    for comp, n in (("motor", 16), ("not_named", 15), ("inlet_valve", 16)):
        x = r.rate(comp)
        w.count(comp, "failure_rate", dict(ALL, component=comp), "events", n, x["events"])
    w.expect("brushes: only machines that have them", "failure_rate", dict(ALL, component="carbon_brushes"), "machine_years", equals=224, tolerance=1, ref=r.rate("carbon_brushes", sel=lambda q: q["model"] == "BN 95")["years"])
    for lo, hi in ((8, 9), (7, 8), (12, 15), (10, 12), (9, 10)):
        x = r.rate(band=(lo, hi))
        if x["events"]:
            w.count(f"faults at {lo}-{hi}", "failure_rate", dict(ALL, age_from_years=lo), "events", x["events"])
        else:
            w.expect(f"no fault at {lo}-{hi}", "failure_rate", dict(ALL, age_from_years=lo), "events", max=0)
    sh = dict(scope_level="all", role="primary", statistic="share")
    w.count("not named in the shares", "fault_share", dict(sh, component="not_named"), "events", 15)
    w.count("motor in the shares", "fault_share", dict(sh, component="motor"), "events", 16)
    w.expect("no belt failed first", "fault_share", dict(sh, component="drive_belt", events=16), rows=0)
    w.count("seven belts in the wake of a motor", "fault_share", dict(sh, component="drive_belt", role="consequential"), "events", 7)
    return w


def c08_records(seed):
    w = World("closed", "08_sold_soon_after", "Most refurbished machines are sold four months after the repair", """
400 roster machines, one first repair each in 2022. 260 leave care 115 to 125 days after that repair, 140 stay. In care they return at a constant rate: 12 % with the same fault within 365 days,
9 % with another, none unnamed but 2 %. After a machine has left, a booking may still turn up (40 do): nobody watched, it is no return. Kaplan-Meier and Aalen-Johansen, censored where watching ends;
the plain ratio is far too low.
""", "2024-06-30")
    rnd = random.Random(seed)
    s = w.shop("haven", ("2021-01-01", "2024-06-30"))
    m = mac(brand="Corvesk", model="CV 33")
    comps = ["inlet_valve", "pressure_switch", "heating_element"]
    lam = -math.log(1 - 0.23) / 365
    late = 0
    for i, day in enumerate(spread(400, "2022-01-10", "2022-12-20")):
        goes = i % 20 < 13
        left = plus(day, 115 + i % 11) if goes else None
        mid = f"K{i + 1:03d}"
        s.machine(machine_id=mid, **m, in_service_on="2019-01-01", entered_on="2021-01-01", left_on=str(left) if left else "", left_reason="sold" if left else "")
        comp, closed = comps[i % 3], day
        s.job(closed, machine_id=mid, **m, component=comp)
        while True:
            when = plus(closed, math.ceil(rnd.expovariate(lam)))
            u = rnd.random() * 0.23
            if when >= (left or plus(d(w.as_of), -3)) or (left and plus(when, 2) >= left):
                break
            closed = plus(when, 2)
            if u < 0.02:
                s.job(closed, booked_on=str(when), machine_id=mid, **m, component="", outcome="condemned")
                break
            if u < 0.11:
                comp = comps[(comps.index(comp) + 1) % 3]
            s.job(closed, booked_on=str(when), machine_id=mid, **m, component=comp)
        if left and late < 40 and i % 6 == 1 and s.tables["jobs"][-1]["outcome"] == "repaired":
            late += 1
            s.job(plus(left, 12 + i % 40), booked_on=str(plus(left, 10 + i % 40)), machine_id=mid, **m, component=comp, outcome="declined")
    return w


@world
def c08():
    for seed in range(200):
        w = c08_records(seed)
        r = w.write()
        a, b1 = r.recall(365, roster=True), r.recall(365, None, True, roster=True)
        if abs(a["prob"] - 0.23) < 0.012 and abs(b1["prob"] - 0.12) < 0.008:
            break
    base = dict(scope_level="all", part_source="", repair_scope="", roster_only=True, component="")
    for h in (90, 365):
        a = r.recall(h, roster=True)
        wh = dict(base, horizon_days=h, same_fault=False)
        w.count(f"returns within {h} days while watched", "recall", wh, "events", a["events"])
        w.expect(f"Kaplan-Meier at {h}", "recall", wh, "estimate", equals=round(a["prob"], 4), tolerance=0.005, ref=a["prob"])
    assert a["prob"] - a["naive"] > 0.03
    assert abs(a["prob"] - 0.23) < 0.02, a
    w.expect("true 23 %", "recall", wh, "estimate", holds=0.23)
    b1, b2 = r.recall(365, None, True, roster=True), r.recall(365, None, True, "censor", roster=True)
    assert abs(b1["prob"] - 0.12) < 0.016 and b1["prob"] - b1["naive"] > 0.015, b1
    wh = dict(base, horizon_days=365, same_fault=True)
    w.count("same fault while watched", "recall", wh, "events", b1["events"])
    w.expect("Aalen-Johansen", "recall", wh, "estimate", min=round(min(b1["prob"], b2["prob"]) - 0.003, 4), max=round(max(b1["prob"], b2["prob"]) + 0.003, 4), ref=b1["prob"])
    w.expect("true 12 %", "recall", wh, "estimate", holds=0.12)
    w.count("repairs followed", "recall", wh, "jobs", b1["jobs"])
    return w


@world
def c09():
    w = World("closed", "09_very_unlike_machines", "Machines whose own rates differ by a gamma law", """
260 machines for three years and a half; each has its own rate, drawn from a gamma law of shape 0.25 and mean 0.6 a year, so that most never fail and some fail every few weeks.
Intervals must rest on the variance between machines: the bounds asked for are 0.8 of the robust distance, which is more than twice Poisson's.
""", "2024-06-30")
    rnd = random.Random(99)
    s = w.shop("heath", ("2021-01-01", "2024-06-30"))
    m = mac("dishwasher", "Merrowick", "MW 8")
    for i in range(260):
        mid = f"U{i + 1}"
        s.machine(machine_id=mid, **m, in_service_on="2021-01-01", entered_on="2021-01-01")
        rate = rnd.gammavariate(0.25, 0.6 / 0.25)
        t = 0.02
        while rate > 1e-4:
            t += rnd.expovariate(rate) + 0.01
            if t > 3.48:
                break
            s.job(plus(d("2021-01-01"), round(t * YEAR)), machine_id=mid, **m, component=rnd.choice(["drain_pump", "spray_arm", "door_lock", ""]))
    r = w.write()
    for comp in (None, "drain_pump", "not_named"):
        x = r.rate(comp)
        if comp is None:
            assert x["se"] / (math.sqrt(x["events"]) / x["years"]) > 2
        h = 0.8 * 1.96 * x["se"]
        wh = dict(ALL, component=comp or "")
        w.count("events", "failure_rate", wh, "events", x["events"])
        w.expect("the rate", "failure_rate", wh, "estimate", equals=round(x["rate"], 4), tolerance=0.003, ref=x["rate"])
        w.expect("upper end", "failure_rate", wh, "upper", min=round(x["rate"] + h, 4))
        w.expect("lower end", "failure_rate", wh, "lower", max=round(x["rate"] * math.exp(-h / x["rate"]), 4))
    return w


@world
def c10():
    comps = ["wash_pump", "inlet_valve"]

    def make(seed):
        w = World("closed", "10_alike_and_not_alike", "Four models alike but for age, and one truly bad model hidden by its youth", """
Dishwashers: four models that fail alike at equal age (0.04 + 0.025 a year of age) and are condemned alike; the youngest starts at 0-6 years, the oldest at 7-13. None is worse or better.
Tumble dryers: six models; five start at 4-10 years and fail at 0.02 + 0.02 a year of age; the sixth starts at 0-6 years and fails four times as often at equal age,
which its youth half hides. It is worse; no other is.
""", "2024-12-31")
        s = w.shop("downs", ("2021-01-01", "2024-12-31"))
        age_mix(s, 7000 + seed, "dishwasher", "Merrowick", [("MW 11", 0, 6), ("MW 26", 2.5, 8.5), ("MW 47", 5, 11), ("MW 93", 7, 13)], 80, "2021-01-01", 4.0, lambda a: 0.04 + 0.025 * a, lambda a: min(0.7, 0.04 + 0.04 * a), comps, "D")
        age_mix(s, 9000 + seed, "tumble_dryer", "Corvesk", [(f"CV {60 + 13 * k}", 4, 10) for k in range(5)], 60, "2021-01-01", 4.0, lambda a: 0.02 + 0.02 * a, lambda a: 0.0, ["dryer_belt"], "T")
        age_mix(s, 9500 + seed, "tumble_dryer", "Corvesk", [("CV 310", 0, 6)], 60, "2021-01-01", 4.0, lambda a: 0.08 + 0.08 * a, lambda a: 0.0, ["dryer_belt"], "T")
        return w
    w, r, crude = calm_seed(make, "dishwasher", comps, 1.6)
    assert max(crude.values()) / min(crude.values()) > 1.7, crude
    for st in ("worse", "better"):
        w.expect(f"no dishwasher is {st}", "model_standing", dict(scope_level="model", category="dishwasher", standing=st), rows=0)
    n = {m: r.rate(sel=lambda q: q["model"] == m) for m in {q["model"] for q in r.stays if q["category"] == "tumble_dryer"}}
    bad = n["CV 310"]
    assert sum(x["events"] == bad["events"] for x in n.values()) == 1
    assert bad["rate"] < 4 * sum(x["rate"] for m, x in n.items() if m != "CV 310") / 5 * 0.75
    wh = dict(scope_level="model", category="tumble_dryer", measure="rate", component="")
    w.expect("one dryer is worse", "model_standing", dict(wh, standing="worse"), rows=1)
    w.expect("the young one", "model_standing", dict(wh, events=bad["events"]), "standing", **{"is": "worse"})
    w.expect("its crude rate", "model_standing", dict(wh, events=bad["events"]), "crude", equals=round(bad["rate"], 4), tolerance=0.003, ref=bad["rate"])
    w.expect("no dryer was condemned", "model_standing", dict(scope_level="model", category="tumble_dryer", measure="write_off", standing="worse"), rows=0)
    return w


def poisson_trend(r, c, year0, years):
    """Poisson regression of faults on age (bands) and year, by Newton's method; factor a year and its standard error."""
    import numpy as np
    bands = [(k, k + 1) for k in range(10)] + [(10, 12), (12, 15), (15, 99)]
    y, off, X = [], [], []
    for k in range(years):
        lo, hi = date(year0 + k, 1, 1).toordinal(), date(year0 + k + 1, 1, 1).toordinal()
        for bi, b in enumerate(bands):
            t = n = 0
            for key, ss in r.per.items():
                for s in ss:
                    if s["category"] != c:
                        continue
                    a0, a1 = max(s["start"], lo, s["birth"] + b[0] * YEAR), min(s["end"], hi, s["birth"] + b[1] * YEAR)
                    t += max(0, a1 - a0) / YEAR
                    for j in r.byk.get(key, []):
                        o = j["day"].toordinal()
                        if lo <= o < hi and s["start"] <= o <= s["end"] and b[0] <= (o - s["birth"]) / YEAR < b[1]:
                            n += 1
            if t > 0:
                y.append(n)
                off.append(math.log(t))
                X.append([float(bi == q) for q in range(len(bands))] + [float(k)])
    X, y, off = np.array(X), np.array(y, float), np.array(off)
    keep = X.sum(axis=0) > 0
    for q in range(len(bands)):
        if keep[q] and y[X[:, q] > 0].sum() == 0:
            keep[q] = False
    rows = X[:, :-1][:, keep[:-1]].sum(axis=1) > 0
    X, y, off = X[rows][:, keep], y[rows], off[rows]
    be = np.zeros(X.shape[1])
    be[:-1] = math.log(y.sum() / np.exp(off).sum())
    for _ in range(50):
        mu = np.exp(X @ be + off)
        be = be + np.linalg.solve(X.T @ (X * mu[:, None]), X.T @ (y - mu))
    cov = np.linalg.inv(X.T @ (X * np.exp(X @ be + off)[:, None]))
    return math.exp(be[-1]), math.sqrt(cov[-1, -1])


@world
def c11():
    for seed in range(300):
        w = World("closed", "11_old_or_worse", "A cohort whose years are its ages, and a fleet that shows both", """
Dishwashers: one delivery of 180, in use since 2018-01-01, some leave early, faults rise year by year: age or year, nobody can tell, and nothing may be claimed.
Washing machines: 40 new ones join each year from 2010 to 2023 and all stay; faults come at 0.07 x (1 + 0.1 x age) x 1.10 ^ year over 2018 to 2023: the yearly factor at equal age is 1.10.
""", "2023-12-31")
        rnd = random.Random(seed)
        s = w.shop("holme", ("2018-01-01", "2023-12-31"))
        a, b = mac("dishwasher", "Brandyl", "BN 14"), mac(brand="Corvesk", model="CV 640")
        for i in range(180):
            left = plus(d("2021-01-01"), i * 7) if i % 4 == 0 and i < 140 else ""
            s.machine(machine_id=f"C{i + 1}", **a, in_service_on="2018-01-01", entered_on="2018-01-01", left_on=str(left), left_reason="sold" if left else "")
        k = 0
        for y in range(6):
            for day in spread(16 + 5 * y, f"{2018 + y}-01-05", f"{2018 + y}-12-27"):
                s.job(day, machine_id=f"C{(k * 4 + 1 + k // 45 % 3) % 180 + 1}", **a, component="spray_arm")
                k += 1
        for y in range(2010, 2024):
            for i in range(40):
                born = date(y, 1, 1).toordinal() + i * 9
                mid = f"N{y}-{i + 1}"
                s.machine(machine_id=mid, **b, in_service_on=str(date.fromordinal(born)), entered_on=str(date.fromordinal(max(born, date(2018, 1, 1).toordinal()))))
                for day in range(max(born, date(2018, 1, 1).toordinal()) + 1, date(2023, 12, 31).toordinal()):
                    yr = date.fromordinal(day).year - 2018
                    if rnd.random() < 0.07 * (1 + 0.1 * (day - born) / YEAR) * 1.1 ** yr / YEAR:
                        s.job(date.fromordinal(day), machine_id=mid, **b, component="drain_pump" if rnd.random() < 0.5 else "door_lock")
        r = w.write()
        f, se = poisson_trend(r, "washing_machine", 2018, 6)
        if abs(math.log(f / 1.10)) < 0.4 * se:
            break
    wh = dict(measure="failure_rate", component="", statistic="change_per_year")
    w.expect("no number for the one delivery", "trend", cat("dishwasher", **wh), "estimate", null=True)
    w.expect("not called unchanged", "trend", cat("dishwasher", **wh, trend="not_distinguishable"), rows=0)
    w.expect("not called rising or falling", "trend", cat("dishwasher", **wh), "trend", is_not=["rising", "falling"])
    w.expect("it says why", "trend", cat("dishwasher", **wh, reason=""), rows=0)
    w.expect("the fleet: the true factor is inside", "trend", cat("washing_machine", **wh), "estimate", holds=1.10)
    w.expect("and the estimate near it", "trend", cat("washing_machine", **wh), "estimate", min=round(f * math.exp(-1.2 * se), 3), max=round(f * math.exp(1.2 * se), 3), ref=f)
    x = r.rate(sel=lambda q: q["category"] == "washing_machine")
    w.count("faults of the fleet", "failure_rate", cat("washing_machine", component="", age_from_years=""), "events", x["events"])
    w.expect("its machine-years", "failure_rate", cat("washing_machine", component="", age_from_years=""), "machine_years", equals=round(x["years"], 1), tolerance=6, ref=x["years"])
    return w


@world
def c12():
    w = World("closed", "12_amounts_left_out", "Two shops, two meanings of a blank, and hobs that are no cookers", """
Cookers are repaired by both shops. Shop elm leaves parts blank for nothing: 30 cookers, 12 with parts at 50. Shop yew for not known: 20 cookers, 14 with parts at 30.
Mean parts over the 30 + 14 = 44 known: (12 x 50 + 14 x 30) / 44 = 23.18. Labour is 55 everywhere: total 78.18 over 44 jobs. Hobs (yew, 16 jobs, parts 22) and ovens (elm, 18 jobs, parts 36)
of the same brand are categories of their own. Yew has also five vacuum cleaner motors and five belts: parts costs at the sixths of a log-normal law of sigma 1.5, true means 92.4 and 30.8.
""")
    e = w.shop("elm", blank=dict(parts_cost="nothing"), folder="elm")
    y = w.shop("yew", blank=dict(parts_cost="unknown"), folder="yew")
    kw = dict(labour_cost=55, currency="GBP", brand="Merrowick")
    for i, day in enumerate(spread(30, "2022-02-01", "2024-11-01")):
        e.job(day, category="cooker", model="MW 900", machine_id=f"{i}", parts_cost=50 if i % 5 in (0, 3) else "", **kw)
    for i, day in enumerate(spread(20, "2022-02-05", "2024-11-05")):
        y.job(day, category="cooker", model="MW 900", machine_id=f"{i}", parts_cost=30 if i % 10 < 7 else "", **kw)
    for i, day in enumerate(spread(16, "2022-02-08", "2024-11-05")):
        y.job(day, category="hob", model="MW 901", machine_id=f"h{i}", parts_cost=22, **kw)
    for i, day in enumerate(spread(18, "2022-02-08", "2024-11-05")):
        e.job(day, category="oven", model="MW 902", machine_id=f"o{i}", parts_cost=36, **kw)
    for comp, med in (("motor", 30.0), ("drive_belt", 10.0)):
        for i, day in enumerate(spread(5, "2022-03-01", "2024-10-01")):
            z = (-0.96742, -0.43073, 0.0, 0.43073, 0.96742)[i]
            y.job(day, category="washing_machine" if comp == "drive_belt" else "tumble_dryer", model="MW 3", machine_id=f"v{comp}{i}", component=comp, parts_cost=round(med * math.exp(1.5 * z), 2), **kw)
    w.story = w.story.replace("five vacuum cleaner motors and five belts", "five dryer motors and five washing machine belts")
    r = w.write()

    def wh(c, kind):
        return cat(c, component="", age_from_years="", cost=kind, statistic="mean")
    js = [(j, 0 if j["src"] == "elm" else None) for j in r.jobs if j["category"] == "cooker"]
    val = [j["parts_cost"] if j["parts_cost"] is not None else z for j, z in js]
    val = [v for v in val if v is not None]
    w.count("known: all of elm's, 14 of yew's", "repair_cost", wh("cooker", "parts"), "jobs", 44, len(val))
    w.expect("mean parts", "repair_cost", wh("cooker", "parts"), "estimate", equals=23.18, tolerance=0.02, ref=sum(val) / 44)
    w.count("total over the same", "repair_cost", wh("cooker", "total"), "jobs", 44)
    w.expect("mean total", "repair_cost", wh("cooker", "total"), "estimate", equals=78.18, tolerance=0.02, ref=55 + sum(val) / 44)
    w.count("labour over all", "repair_cost", wh("cooker", "labour"), "jobs", 50, len(js))
    for c, n, p in (("hob", 16, 22), ("oven", 18, 36)):
        w.count(f"{c}: its own jobs", "repair_cost", wh(c, "total"), "jobs", n, sum(j["category"] == c for j in r.jobs))
        w.expect(f"{c}: its own mean", "repair_cost", wh(c, "total"), "estimate", equals=55 + p, tolerance=0.01)
    for c, true in (("tumble_dryer", 92.4), ("washing_machine", 30.8)):
        w.count(f"{c}: five", "repair_cost", wh(c, "parts"), "jobs", 5)
        w.expect(f"{c}: an interval reaches the true mean, or none is printed", "repair_cost", wh(c, "parts"), "upper", min=true, or_null=True)
    return w


@world
def c13():
    w = World("closed", "13_ordered_last_week", "Orders too young to be late", """
90 orders of new original drain pumps for a dishwasher sold from 2021-10-01 to 2024-03-01. 45 came after 4 working days, 9 after 27, 9 were reported unavailable; 27 were placed 8 working days before the cut-off
and are open. To the limit of 15 working days: 90 at risk, 45 delivered on day 4, 27 censored on day 8, no delivery after that before the limit, so that the share not delivered in time is 45/90 = 50 %,
wherever the unavailable nine are taken to have ended. To leave the open ones out gives 18/63 = 29 %; to call them late, 50 % for a wrong reason: half of the late row's room is between 9/54 and 36/90.
""", "2024-11-29")
    s = w.shop("quarry")
    m = mac("dishwasher", "Brandyl", "BN 660")
    s.model(**m, platform="BN6", first_sold_on="2021-10-01", last_sold_on="2024-03-01", price_new=510)
    kinds = ["fast"] * 45 + ["slow"] * 9 + ["none"] * 9
    n = 0
    for i, day in enumerate(spread(63, "2024-02-05", "2024-08-20")):
        while day.weekday() > 4:
            day = plus(day, 1)
        k = kinds[(i * 29) % 63]
        got = wd(day, 4) if k == "fast" else wd(day, 27) if k == "slow" else None
        n += 1
        j = s.job(plus(got or plus(day, 30), 2), booked_on=str(plus(day, -2)), machine_id=f"S{n}", **m, component="drain_pump", outcome="repaired" if got else "declined")
        s.part(job_id=j["job_id"], component="drain_pump", part_number="BN-0619", part_source="new-original", quantity=1, unit_cost=44, ordered_on=str(day), received_on=str(got) if got else "", unavailable="yes" if k == "none" else "no")
    for i in range(27):
        n += 1
        day = date(2024, 11, 19)
        assert wd(day, 8) == date(2024, 11, 29)
        j = s.job("2024-11-27", booked_on="2024-11-18", machine_id=f"S{n}", **m, component="drain_pump", outcome="unknown")
        s.part(job_id=j["job_id"], component="drain_pump", part_number="BN-0619", part_source="new-original", quantity=1, unit_cost=44, ordered_on=str(day), received_on="", unavailable="no")
    w.story = w.story.replace("; to call them late, 50 % for a wrong reason: half of the late row's room is between 9/54 and 36/90", "")
    w.write()
    wh = dict(scope_level="all", part_source="new-original", audience="", law="", statutory_class="", period="within")
    w.expect("not in time, by Kaplan-Meier", "part_supply", dict(wh, statistic="late_or_unavailable"), "estimate", min=0.485, max=0.515)
    w.count("27 are open", "part_supply", dict(wh, statistic="late_or_unavailable"), "orders_open", 27)
    w.expect("unavailable: of 90, of the 63 with an end, or with the open ones shared out", "part_supply", dict(wh, statistic="unavailable"), "estimate", min=0.099, max=0.26)
    w.expect("late: censored ones are not taken as in time", "part_supply", dict(wh, statistic="late"), "estimate", min=0.39, max=0.51)
    return w


@world
def c14():
    w = World("closed", "14_three_constant_hazards", "Three platforms of constant hazard, some of them entering used", """
Motors of platforms T1, T2 and T3 fail at constant 0.7, 0.15 and 0.03 a year; 110 machines of each, half watched from new and half from age 2, for six years. A constant hazard has no memory, so that
the time from entry to failure stands at the same quantiles in both halves. Within a platform the shape is 1, pooled it seems to fall: early failure may not be claimed anywhere.
""", "2023-12-31")
    s = w.shop("forge", ("2018-01-01", "2023-12-31"))
    for p, lam, model in (("T1", 0.7, "CV 401"), ("T2", 0.15, "CV 507"), ("T3", 0.03, "CV 613")):
        m = mac("tumble_dryer", "Corvesk", model)
        s.model(**m, platform=p)
        for i in range(110):
            mid = f"{p}/{i + 1}".replace("/", "x")
            s.machine(machine_id=mid, **m, in_service_on="2018-01-01" if i % 2 else "2016-01-01", entered_on="2018-01-01")
            t = -math.log(1 - (i // 2 + 0.5) / 55) / lam
            if t < 5.98:
                s.job(plus(d("2018-01-01"), max(1, round(t * YEAR)) + i % 2), machine_id=mid, **m, component="motor")
    r = w.write()
    w.expect("nowhere early life", "life", dict(curve="weibull", hazard_pattern="early_life"), rows=0)
    w.expect("nowhere wear-out within the platforms", "life", dict(curve="weibull", scope_level="platform", hazard_pattern="wear_out"), rows=0)
    for at in (2, 4):
        k = r.km("motor", at)
        wh = dict(scope_level="all", component="motor", curve="survival", age_years=at)
        w.expect(f"delayed entry at {at}", "life", wh, "estimate", equals=round(k["surv"], 4), tolerance=0.006, ref=k["surv"])
        w.count("330 machines", "life", wh, "machines", 330, k["machines"])
    w.expect("330 machines for six years", "failure_rate", dict(ALL, component="motor"), "machine_years", equals=1980, tolerance=4, ref=r.rate("motor")["years"])
    return w


@world
def c15():
    w = World("closed", "15_unnamed_and_caused", "Condemned without a word, and pumps that take the lock with them", """
90 condemned jobs: 33 with no part named, 27 with drum bearings or a drum spider on sealed models, 18 with the same on bolted ones, 12 with drain pumps. Of the 57 named, 27 sealed in: 47 %.
Over all 90: at least 27/90 = 30 %, at most 60/90 = 67 %. All designs are known. Findings: 50 repaired jobs with a drain pump first, 20 of them with the door lock after it;
60 with an inlet valve first, 3 of them with the door lock after it. P = 0.4; against other primary faults 3/60: eight times.
""", "2024-12-31")
    s = w.shop("chapel")
    a, b = mac(brand="Brandyl", model="BN 27"), mac(brand="Merrowick", model="MW 55")
    s.model(**a, drum_design="sealed")
    s.model(**b, drum_design="bolted")
    kinds = [(a, "drum_bearings", 0)] * 17 + [(a, "drum_spider", 0)] * 10 + [(b, "drum_bearings", 0)] * 18 + [(a, "drain_pump", 0)] * 7 + [(b, "drain_pump", 0)] * 5 + [(a, "", 0)] * 19 + [(b, "", 0)] * 14
    kinds += [(a, "drain_pump", 2)] * 12 + [(b, "drain_pump", 2)] * 8 + [(a, "drain_pump", 1)] * 14 + [(b, "drain_pump", 1)] * 16 + [(a, "inlet_valve", 2)] * 3 + [(a, "inlet_valve", 1)] * 30 + [(b, "inlet_valve", 1)] * 27
    assert len(kinds) == 200
    for i, day in enumerate(spread(200, "2021-01-10", "2024-12-20")):
        m, c, k = kinds[(i * 77) % 200]
        j = s.job(day, machine_id=f"Q{i + 1}", **m, component=c, outcome="repaired" if k else "condemned")
        if k:
            s.finding(job_id=j["job_id"], step=1, component=c, role="primary")
        if k == 2:
            s.finding(job_id=j["job_id"], step=2, component="door_lock", role="consequential", caused_by=1)
    r = w.write()
    cond = [j for j in r.jobs if j["outcome"] == "condemned"]
    assert len(cond) == 90 and sum(j["primary"] == ["not_named"] for j in cond) == 33
    for st in ("of_condemned", "of_condemned_design_known"):
        wh = dict(scope_level="all", statistic=st, component="")
        w.expect(f"{st}: within the bounds", "sealed_write_off", wh, "estimate", min=0.2995, max=0.667)
        w.expect(f"{st}: room for the share among the named", "sealed_write_off", wh, "upper", min=0.4737)
        w.count(f"{st}: certainly sealed in", "sealed_write_off", wh, "events", 27)
    pop = [j for j in r.jobs if j["findings"] and j["primary"] == ["drain_pump"]]
    wh = cat("washing_machine", component="drain_pump", consequential_component="door_lock")
    w.count("pump jobs with findings", "cascade", wh, "jobs", 50, len(pop))
    w.count("lock after it", "cascade", wh, "events", 20, sum(len(j["findings"]) == 2 for j in pop))
    w.expect("20 / 50", "cascade", wh, "estimate", equals=0.4, tolerance=0.001)
    w.expect("against 3 / 60", "cascade", wh, "lift", min=6.5, max=9.0)
    w.count("the valve's", "cascade", cat("washing_machine", component="inlet_valve", consequential_component="door_lock"), "events", 3)
    return w


@world
def c16():
    w = World("closed", "16_three_makers", "Three makers one letter apart, and an export sent twice", """
Karvend, Karvond and Kervend are three makers of dryers, with 40, 32 and 24 jobs. Karvend is spelt in five ways that differ in case, dots, spaces and accents only. The first export holds the first 70 jobs; the
second, from the same shop, holds all 96 again: the 70 are identical repeats, save five whose labour cost was put right from 90 to 60. So 96 jobs, mean labour 60. Each of the last 26 stands once.
""")
    forms = ["Karvend", "KARVEND", "karvend", "K\u00e1rvend", "Karvend."]
    s1 = w.shop("wharf", folder="first")
    s2 = w.shop("wharf", folder="second")
    plan = ["Karvend"] * 40 + ["Karvond"] * 32 + ["Kervend"] * 24
    seen = 0
    for i, day in enumerate(spread(96, "2022-01-10", "2024-12-10")):
        b = plan[(i * 25) % 96]
        model = {"Karvend": "KA 10", "Karvond": "QO 31", "Kervend": "ZE 87"}[b]
        if b == "Karvend":
            b = forms[seen % 5]
            seen += 1
        kw = dict(job_id=f"W{i + 1:04d}", machine_id=f"{i + 1}", category="tumble_dryer", brand=b, model=model, component="dryer_belt", parts_cost=18, currency="GBP")
        if i < 70:
            s1.job(day, **kw, labour_cost=90 if i % 14 == 5 else 60)
        s2.job(day, **kw, labour_cost=60)
    r = w.write()
    assert len(r.jobs) == 96 and {j["labour_cost"] for j in r.jobs} == {60.0}
    rep = dict(outcome="repaired", not_repaired_reason="")
    w.count("each job once", "outcome", dict(scope_level="all", **rep), "jobs", 96)
    w.expect("three brands", "outcome", dict(scope_level="brand", **rep), rows=3)
    for n in (40, 32, 24):
        w.expect(f"a brand with {n} jobs", "outcome", dict(scope_level="brand", **rep, jobs=n), rows=1)
    wh = dict(component="", age_from_years="", cost="labour", statistic="mean")
    w.expect("put right", "repair_cost", dict(scope_level="all", **wh), "estimate", equals=60, tolerance=0.001)
    w.count("over all jobs once", "repair_cost", dict(scope_level="all", **wh), "jobs", 96)
    w.count("belts", "fault_share", dict(scope_level="all", component="dryer_belt", role="primary", statistic="share"), "events", 96)
    return w


@world
def c17():
    w = World("closed", "17_a_span_in_the_middle", "A span of records in the middle of long stays", """
Shop barn kept records from 2012-07-01 to 2016-06-30 only, as its mapping says. 30 washing machines are in care from 2008 and still are; 20 came on 2014-07-01; 15 left on 2011-12-31, before any record;
10 came in 2018, after the last. Machine-years: 30 x 4 + 20 x 2 = 160, from 50 machines. 40 faults in the span: 0.25 a year; 6 jobs of 2017 that got in all the same lie outside it.
Shop loft, 24 dishwashers from 2010, has records from 2019-01-01 to 2020-12-31: 48 machine-years, 12 faults.
""", "2024-12-31")
    s = w.shop("barn", ("2012-07-01", "2016-06-30"), folder="barn")
    m = mac(brand="Merrowick", model="MW 19")
    for p, n, a, b in (("A", 30, "2008-01-01", ""), ("B", 20, "2014-07-01", ""), ("C", 15, "2008-01-01", "2011-12-31"), ("D", 10, "2018-01-01", "")):
        for i in range(n):
            s.machine(machine_id=f"{p}{i + 1}", **m, in_service_on=a, entered_on=a, left_on=b, left_reason="sold" if b else "")
    for i, day in enumerate(spread(28, "2012-07-20", "2016-06-10")):
        s.job(day, machine_id=f"A{(i * 7) % 30 + 1}", **m, component="tub" if i % 4 == 0 else "inlet_valve")
    for i, day in enumerate(spread(12, "2014-07-20", "2016-06-10")):
        s.job(day, machine_id=f"B{(i * 7) % 20 + 1}", **m, component="inlet_valve")
    for i, day in enumerate(spread(6, "2017-02-20", "2017-06-10")):
        s.job(day, machine_id=f"A{i * 3 + 2}", **m, component="pressure_switch")
    s = w.shop("loft", ("2019-01-01", "2020-12-31"), folder="loft")
    t = mac("dishwasher", "Brandyl", "BN 3")
    for i in range(24):
        s.machine(machine_id=f"A{i + 1}", **t, in_service_on="2010-01-01", entered_on="2010-01-01")
    for i, day in enumerate(spread(12, "2019-01-20", "2020-12-10")):
        s.job(day, machine_id=f"A{i * 2 + 1}", **t, component="spray_arm")
    r = w.write()
    for c, n, ev, yrs in (("washing_machine", 50, 40, 160), ("dishwasher", 24, 12, 48)):
        x = r.rate(sel=lambda q: q["category"] == c)
        wh = cat(c, component="", age_from_years="")
        w.expect(f"{c}: time inside the span", "failure_rate", wh, "machine_years", equals=yrs, tolerance=0.6, ref=x["years"])
        w.count("machines watched", "failure_rate", wh, "machines", n, x["machines"])
        w.count("faults inside the span", "failure_rate", wh, "events", ev, x["events"])
        w.expect("0.25 a year", "failure_rate", wh, "estimate", equals=0.25, tolerance=0.002, ref=x["rate"])
    x = r.rate(band=(1, 2), sel=lambda q: q["category"] == "washing_machine")
    w.expect("at age 1 only the twenty", "failure_rate", cat("washing_machine", component="", age_from_years=1), "machine_years", equals=20, tolerance=0.2, ref=x["years"])
    w.expect("pressure switches outside the span do not count", "failure_rate", dict(scope_level="all", component="pressure_switch", age_from_years="", events=6), rows=0)
    return w
