"""Writes the worlds: records in, the truth by arithmetic, the evidence that should come out. One function a world."""
import math
import random
import sys

from worldkit import ALL, YEAR, World, cat, d, plus, spread

WORLDS = []


def world(f):
    WORLDS.append(f)
    return f


def mac(cid="washing_machine", brand="Yelvick", model="YV 310"):
    return dict(category=cid, brand=brand, model=model)


# ------------------------------------------------------------------------------------------------ open


@world
def o01():
    w = World("open", "01_no_first_day", "Machines without a first day of use stay in the denominator", """
100 machines in care for the five years 2020 to 2024, so 500 machine-years. Of 60 the first day of use is on the roster, of 40 it is not.
20 faults: 12 on the 60, 8 on the 40. The rate over all ages is 20 / 500 = 0.04 a year.
In the age bands and in the life curve only the 60 with a clock can stand: 60 machine-years in each band from 0-1 to 3-4, none above age 5.
""", "2024-12-31")
    s = w.shop("north", ("2020-01-01", "2024-12-31"))
    m = mac()
    for i in range(100):
        s.machine(machine_id=f"M{i + 1:03d}", **m, in_service_on="2020-01-01" if i < 60 else "", entered_on="2020-01-01")
    for i, day in enumerate(spread(12, "2020-03-01", "2024-11-15")):
        s.job(day, machine_id=f"M{i * 5 + 1:03d}", **m, component="drain_pump" if i % 3 else "door_lock", labour_cost=40, parts_cost=20, currency="GBP")
    for i, day in enumerate(spread(8, "2020-05-01", "2024-10-01")):
        s.job(day, machine_id=f"M{61 + i * 5:03d}", **m, component="drain_pump" if i % 2 else "motor", labour_cost=40, parts_cost=20, currency="GBP")
    r = w.write()
    a = r.rate()
    w.count("20 faults, on machines with and without a clock", "failure_rate", ALL, "events", 20, a["events"])
    w.count("all 100 machines are watched", "failure_rate", ALL, "machines", 100, a["machines"])
    w.expect("100 machines for five years", "failure_rate", ALL, "machine_years", equals=500, tolerance=1.5, ref=a["years"])
    w.expect("20 faults over 500 machine-years", "failure_rate", ALL, "estimate", equals=0.04, tolerance=0.0005, ref=a["rate"])
    for comp in ("drain_pump", "door_lock", "motor"):
        x = r.rate(comp)
        wh = dict(scope_level="all", component=comp, age_from_years="")
        w.count(f"{comp} faults over all ages", "failure_rate", wh, "events", x["events"])
        w.expect(f"{comp}: the same 500 machine-years", "failure_rate", wh, "machine_years", equals=500, tolerance=1.5, ref=x["years"])
    for lo in (0, 2, 3):
        x = r.rate(band=(lo, lo + 1))
        wh = dict(ALL, age_from_years=lo)
        w.count(f"only machines with a clock fail in band {lo}-{lo + 1}", "failure_rate", wh, "events", x["events"])
        w.expect(f"60 machines with a clock for the year of age {lo}", "failure_rate", wh, "machine_years", equals=60, tolerance=0.3, ref=x["years"])
        w.count("none without a clock in a band", "failure_rate", wh, "machines", 60, x["machines"])
    k = r.km("drain_pump", 3)
    wh = dict(scope_level="all", component="drain_pump", curve="survival", age_years=3)
    w.count("only 60 machines can stand in the curve", "life", wh, "machines", 60, k["machines"])
    w.expect("Kaplan-Meier over the 60", "life", wh, "estimate", equals=round(k["surv"], 4), tolerance=0.002, ref=k["surv"])
    return w


@world
def o02():
    w = World("open", "02_records_begin_late", "Job records that begin years after the machines came in", """
Shop north: 50 washing machines in care since 2010, but job records only from 2018 on, as its mapping says: 7 years x 50 = 350 machine-years, 28 faults, 0.08 a year.
Shop south: 40 tumble dryers in care since 2012, nothing said about records. Its 61 jobs run from 2020-01-15 to 2024-12-20, a mean gap of 30.0 days, so that records
begin about 2019-12-16: 5.04 years x 40 = 201.7 machine-years to the end of 2024, 61 faults, 0.302 a year. Counting from the day they came in would halve or worse the rates.
""", "2024-12-31")
    n = w.shop("north", ("2018-01-01", "2024-12-31"), folder="north")
    m = mac()
    for i in range(50):
        n.machine(machine_id=f"A{i + 1}", **m, in_service_on="2010-01-01", entered_on="2010-01-01")
    for i, day in enumerate(spread(28, "2018-01-20", "2024-12-10")):
        n.job(day, machine_id=f"A{(i * 7) % 50 + 1}", **m, component="heating_element")
    s = w.shop("south", folder="south")
    t = mac("tumble_dryer", "Heskby", "HK 71")
    for i in range(40):
        s.machine(machine_id=f"B{i + 1}", **t, in_service_on="2012-01-01", entered_on="2012-01-01")
    first, last = d("2020-01-15"), d("2024-12-20")
    days = [plus(first, round((last - first).days * i / 60)) for i in range(61)]
    for i, day in enumerate(days):
        s.job(day, machine_id=f"B{(i * 9) % 40 + 1}", **t, component="dryer_belt" if i % 2 else "drum_rollers")
    r = w.write()
    for c, years, tol, ev, rate, rt in (("washing_machine", 350, 1.5, 28, 0.08, 0.0006), ("tumble_dryer", 201.7, 2.0, 61, 0.3024, 0.004)):
        x = r.rate(sel=lambda q: q["category"] == c)
        wh = cat(c, component="", age_from_years="")
        w.expect(f"{c}: exposure starts with the records", "failure_rate", wh, "machine_years", equals=years, tolerance=tol, ref=x["years"])
        w.count("every job is a fault while watched", "failure_rate", wh, "events", ev, x["events"])
        w.expect("events over that exposure", "failure_rate", wh, "estimate", equals=rate, tolerance=rt, ref=x["rate"])
    x = r.rate()
    w.expect("both shops together", "failure_rate", ALL, "machine_years", equals=551.7, tolerance=3, ref=x["years"])
    x = r.rate(band=(8, 9), sel=lambda q: q["category"] == "washing_machine")
    w.expect("north's machines are eight when the records begin", "failure_rate", cat("washing_machine", component="", age_from_years=8), "machine_years", equals=50, tolerance=0.3, ref=x["years"])
    for lo in (0, 4, 7):
        w.expect(f"nobody could have recorded a fault of north's machines at age {lo}: no exposure there", "failure_rate",
                 cat("washing_machine", component="heating_element", age_from_years=lo, machines=50), rows=0)
    return w


@world
def o03():
    w = World("open", "03_condemned_gives_no_time", "A condemned machine is no longer watched, whatever the roster says", """
80 dishwashers in care from 2016-01-01, left_on blank for all. 40 of them are condemned by a job, one each, evenly over 2017 (mean 2017-07-02, 1.5 years in).
The other 40 are watched for the whole 9 years. Machine-years: 40 x 1.5 + 40 x 9 = 420. Faults: 40 that condemned and 44 repaired on the others, 84 in all: 0.2 a year.
With condemned machines left in, it would be 720 machine-years. 20 further jobs on machines outside the roster have outcome unknown: 12 by a blank cell, 8 by the word.
""", "2024-12-31")
    s = w.shop("quay", ("2016-01-01", "2024-12-31"))
    m = mac("dishwasher", "Pellorne", "PL 600")
    for i in range(80):
        s.machine(machine_id=f"D{i + 1}", **m, in_service_on="2016-01-01", entered_on="2016-01-01")
    for i, day in enumerate(spread(40, "2017-01-02", "2017-12-30")):
        s.job(day, machine_id=f"D{i + 1}", **m, component="wash_pump", outcome="condemned", not_repaired_reason=None)
    for i, day in enumerate(spread(44, "2016-02-01", "2024-12-01")):
        s.job(day, machine_id=f"D{41 + (i * 11) % 40}", **m, component="drain_pump")
    for i, day in enumerate(spread(20, "2018-02-01", "2024-10-01")):
        s.job(day, **m, component="spray_arm", outcome="" if i < 12 else "unknown")
    for j in s.tables["jobs"]:
        j.pop("not_repaired_reason", None)
    r = w.write()
    x = r.rate()
    w.expect("condemned machines give no time after that day", "failure_rate", ALL, "machine_years", equals=420, tolerance=2.5, ref=x["years"])
    w.count("the condemning fault itself counts", "failure_rate", ALL, "events", 84, x["events"])
    w.expect("84 over 420", "failure_rate", ALL, "estimate", equals=0.2, tolerance=0.002, ref=x["rate"])
    x = r.rate("wash_pump")
    w.expect("wash pump: 40 over 420", "failure_rate", dict(ALL, component="wash_pump"), "estimate", equals=0.0952, tolerance=0.001, ref=x["rate"])
    x = r.rate(band=(5, 6))
    w.expect("at age 5 only the 40 others are left", "failure_rate", dict(ALL, age_from_years=5), "machine_years", equals=40, tolerance=0.3, ref=x["years"])
    w.count("and 40 machines", "failure_rate", dict(ALL, age_from_years=5), "machines", 40, x["machines"])
    wh = dict(scope_level="all", outcome="unknown", not_repaired_reason="")
    w.count("blank and the word are both unknown", "outcome", wh, "events", 20, sum(j["outcome"] in ("", "unknown") for j in r.jobs))
    w.count("every job stands in the population", "outcome", wh, "jobs", 104, len(r.jobs))
    w.expect("20 of 104", "outcome", wh, "estimate", equals=0.1923, tolerance=0.0005)
    w.count("40 condemned", "outcome", dict(scope_level="all", outcome="condemned", not_repaired_reason=""), "events", 40)
    return w


@world
def o04():
    w = World("open", "04_source_that_ended", "A shop whose records ended years ago gives no exposure since", """
Shop mill closed: 60 washing machines in care since 2010-01-01, left_on blank; its 73 jobs run from 2010-02-01 to 2015-12-31, a mean gap of 30.0 days, so that its records
are taken to end on about 2016-01-30: 6.08 x 60 = 364.7 machine-years.
Shop dock, 30 dishwashers since 2014-01-01, says that it kept records to 2019-12-31: 6 x 30 = 180. Shop park is still at work: 20 tumble dryers, 2020-01-01 to 2024-12-31: 100.
""", "2024-12-31")
    first, last = d("2010-02-01"), d("2015-12-31")
    s = w.shop("mill", folder="mill")
    m = mac(brand="Marngate", model="MG 12")
    for i in range(60):
        s.machine(machine_id=f"{i + 1}", **m, in_service_on="2010-01-01", entered_on="2010-01-01")
    for i in range(73):
        s.job(plus(first, round((last - first).days * i / 72)), machine_id=f"{(i * 13) % 60 + 1}", **m, component="drive_belt")
    s = w.shop("dock", ("2014-01-01", "2019-12-31"), folder="dock")
    t = mac("dishwasher", "Pellorne", "PL 450")
    for i in range(30):
        s.machine(machine_id=f"{i + 1}", **t, in_service_on="2014-01-01", entered_on="2014-01-01")
    for i, day in enumerate(spread(36, "2014-02-01", "2019-12-01")):
        s.job(day, machine_id=f"{(i * 7) % 30 + 1}", **t, component="inlet_valve")
    s = w.shop("park", ("2020-01-01", "2024-12-31"), folder="park")
    u = mac("tumble_dryer", "Heskby", "HK 90")
    for i in range(20):
        s.machine(machine_id=f"{i + 1}", **u, in_service_on="2020-01-01", entered_on="2020-01-01")
    for i, day in enumerate(spread(25, "2020-02-01", "2024-12-01")):
        s.job(day, machine_id=f"{(i * 3) % 20 + 1}", **u, component="thermal_cutout")
    r = w.write()
    for c, years, ev, rate, tol in (("washing_machine", 364.7, 73, 0.2002, 0.003), ("dishwasher", 180, 36, 0.2, 0.001), ("tumble_dryer", 100, 25, 0.25, 0.001)):
        x = r.rate(sel=lambda q: q["category"] == c)
        wh = cat(c, component="", age_from_years="")
        w.expect(f"{c}: exposure ends with the records", "failure_rate", wh, "machine_years", equals=years, tolerance=years * 0.01, ref=x["years"])
        w.count("faults in that time", "failure_rate", wh, "events", ev, x["events"])
        w.expect("the rate", "failure_rate", wh, "estimate", equals=rate, tolerance=tol, ref=x["rate"])
    x = r.rate()
    w.expect("all three shops", "failure_rate", ALL, "machine_years", equals=644.7, tolerance=5, ref=x["years"])
    w.count("numbers that start at 1 in each shop are different machines", "failure_rate", ALL, "machines", 110, x["machines"])
    x = r.rate(band=(5, 6), sel=lambda q: q["category"] == "washing_machine")
    w.expect("the last full year of the mill", "failure_rate", cat("washing_machine", component="", age_from_years=5), "machine_years", equals=60, tolerance=0.4, ref=x["years"])
    w.expect("no machine of the mill is watched at age 8", "failure_rate", cat("washing_machine", component="", age_from_years=8, machines=60), rows=0)
    return w


@world
def o05():
    w = World("open", "05_second_stays", "Machines that left and came back", """
30 machines stay twice: 2014-01-01 to 2017-01-01 and again 2020-01-01 to 2023-01-01, 6 years each, 180 machine-years; 20 machines stay once, 2014-01-01 to 2024-01-01: 200.
Ten more have two rows that overlap (2014-01-01 to 2018-01-01, and 2016-01-01 to 2020-01-01): these are quarantined, in part or whole; each can give four years at most, never 6 or 8.
So the exposure lies between 380 and 420. Faults: 36 in the stays; 15 further jobs fall between the stays of the thirty, when they were out of sight, and do not count.
""", "2024-12-31")
    s = w.shop("hill", ("2014-01-01", "2024-12-31"))
    m = mac(brand="Tarrivox", model="TX 5")
    for i in range(30):
        s.machine(machine_id=f"R{i + 1}", **m, in_service_on="2014-01-01", entered_on="2014-01-01", left_on="2017-01-01", left_reason="moved")
        s.machine(machine_id=f"R{i + 1}", **m, in_service_on="2014-01-01", entered_on="2020-01-01", left_on="2023-01-01", left_reason="plan_ended")
    for i in range(20):
        s.machine(machine_id=f"S{i + 1}", **m, in_service_on="2014-01-01", entered_on="2014-01-01", left_on="2024-01-01", left_reason="plan_ended")
    for i in range(10):
        s.machine(machine_id=f"X{i + 1}", **m, in_service_on="2014-01-01", entered_on="2014-01-01", left_on="2018-01-01", left_reason="moved")
        s.machine(machine_id=f"X{i + 1}", **m, in_service_on="2014-01-01", entered_on="2016-01-01", left_on="2020-01-01", left_reason="moved")
    for i, day in enumerate(spread(9, "2014-02-01", "2016-12-01")):
        s.job(day, machine_id=f"R{i * 3 + 1}", **m, component="inlet_valve")
    for i, day in enumerate(spread(12, "2020-02-01", "2022-12-01")):
        s.job(day, machine_id=f"R{i * 2 + 2}", **m, component="inlet_valve")
    for i, day in enumerate(spread(15, "2017-02-01", "2019-12-01")):
        s.job(day, machine_id=f"R{i * 2 + 1}", **m, component="door_lock")
    for i, day in enumerate(spread(15, "2014-02-01", "2023-12-01")):
        s.job(day, machine_id=f"S{i + 1}", **m, component="inlet_valve")
    r = w.write()
    x = r.rate(sel=lambda q: q["machine_id"][0] != "X")
    assert abs(x["years"] - 380) < 0.5 and x["events"] == 36, x
    w.expect("two stays of three years each, nothing between; overlapping rows never counted twice", "failure_rate", ALL, "machine_years", min=379, max=421)
    w.count("faults between the stays do not count", "failure_rate", ALL, "events", 36)
    w.expect("36 over 380 to 420", "failure_rate", ALL, "estimate", min=36 / 421, max=36 / 379)
    x = r.rate(band=(4, 5), sel=lambda q: q["machine_id"][0] != "X")
    w.expect("at age 4 the thirty are out of sight", "failure_rate", dict(ALL, age_from_years=4), "machine_years", min=19.9, max=30.1, ref=x["years"])
    x = r.rate(band=(7, 8), sel=lambda q: q["machine_id"][0] != "X")
    w.expect("at age 7 they are back", "failure_rate", dict(ALL, age_from_years=7), "machine_years", equals=50, tolerance=0.3, ref=x["years"])
    w.count("30 that came back and 20 that stayed", "failure_rate", dict(ALL, age_from_years=7), "machines", 50, x["machines"])
    w.expect("no door lock failed in sight", "failure_rate", dict(ALL, component="door_lock", events=15), rows=0)
    return w


@world
def o06():
    w = World("open", "06_clashing_numbers", "Three shops that each count from 1", """
Each of three shops numbers its 30 machines and its jobs from 1. North and south both have washing machines, east has dishwashers.
Serial numbers: machines 1-5 of north went on to south as its 1-5, same kind and model, same serial, with stays that follow each other: those are five machines, not ten.
Machines 6-15 of north and south bear equal serials by accident but are different models: twenty machines. So 90 roster numbers are 85 machines.
Exposure: north 30 x 3 (2017-2019), south 30 x 4 (2020-2023), east 30 x 2 (2022-2023): 90 + 120 + 60 = 270. Jobs: 24 + 30 + 18 = 72, all of them different, though their numbers repeat.
""", "2023-12-31")
    a, b, c = mac(model="YV 310"), mac(model="YV 880"), mac("dishwasher", "Pellorne", "PL 600")
    for name, lo, hi, n in (("north", "2017-01-01", "2019-12-31", 24), ("south", "2020-01-01", "2023-12-31", 30), ("east", "2022-01-01", "2023-12-31", 18)):
        s = w.shop(name, (lo, hi), folder=name)
        for i in range(30):
            if name == "east":
                m, sn = c, f"E{7000 + i}"
            else:
                m = a if i < 5 or name == "north" else b
                sn = f"SN{4100 + i}" if i < 15 else f"{name[0].upper()}{5000 + i}"
            s.machine(machine_id=str(i + 1), serial=sn, **m, in_service_on="2017-01-01" if name != "east" else "2022-01-01", entered_on=lo, left_on=hi, left_reason="moved")
        for i, day in enumerate(spread(n, plus(d(lo), 20), plus(d(hi), -20))):
            k = (i * 7) % 30
            m = c if name == "east" else a if k < 5 or name == "north" else b
            s.job(day, job_id=str(i + 1), machine_id=str(k + 1), **m, component="door_lock")
    r = w.write()
    x = r.rate()
    w.count("90 numbers, 85 machines", "failure_rate", ALL, "machines", 85, x["machines"])
    w.expect("90 + 120 + 60", "failure_rate", ALL, "machine_years", equals=270, tolerance=1, ref=x["years"])
    w.count("24 + 30 + 18", "failure_rate", ALL, "events", 72, x["events"])
    x = r.rate(sel=lambda q: q["category"] == "washing_machine")
    w.count("60 numbers, 55 washing machines", "failure_rate", cat("washing_machine", component="", age_from_years=""), "machines", 55, x["machines"])
    w.count("east is on its own", "failure_rate", cat("dishwasher", component="", age_from_years=""), "machines", 30)
    w.expect("east: 18 over 60", "failure_rate", cat("dishwasher", component="", age_from_years=""), "estimate", equals=0.3, tolerance=0.002)
    w.count("no job is lost to another of the same number", "outcome", dict(scope_level="all", outcome="repaired", not_repaired_reason=""), "events", 72, len(r.jobs))
    w.count("door locks by category", "fault_share", cat("washing_machine", component="door_lock", role="primary", statistic="share"), "events", 54)
    return w


@world
def o07():
    w = World("open", "07_entered_used", "Half of the machines came in used", """
60 machines are watched from new, 2015-01-01 to 2021-12-31; 68 entered the roster on the same day at five years of age. Eight of those 68 are known to have had a drain pump
fault in 2013, two years before they entered: they stay in the rates, but not in the life curve of the drain pump. The curve is Kaplan-Meier with delayed entry:
at ages under five only the 60 are at risk. Machine-years at ages 5-6: 60 new and 68 used, 128; at 2-3: 60; at 9-10: 68.
""", "2021-12-31")
    s = w.shop("vale", ("2012-01-01", "2021-12-31"))
    m = mac(brand="Dunwhistle", model="DW 140")
    for i in range(60):
        s.machine(machine_id=f"N{i + 1}", **m, in_service_on="2015-01-01", entered_on="2015-01-01")
    for i in range(68):
        s.machine(machine_id=f"U{i + 1}", **m, in_service_on="2010-01-01", entered_on="2015-01-01")
    for i in range(8):
        s.job(f"2013-0{i + 1}-15", machine_id=f"U{i + 1}", **m, component="drain_pump")
    for i, day in enumerate(spread(20, "2015-03-01", "2021-11-01")):
        s.job(day, machine_id=f"N{i * 3 + 1}", **m, component="drain_pump")
    for i, day in enumerate(spread(40, "2015-02-10", "2021-12-01")):
        s.job(day, machine_id=f"U{i + 15}", **m, component="drain_pump")
    for i, day in enumerate(spread(6, "2015-06-10", "2021-08-01")):
        s.job(day, machine_id=f"U{i + 1}", **m, component="motor")
    r = w.write()
    for at in (4, 6, 8, 10):
        k = r.km("drain_pump", at)
        wrong = r.km("drain_pump", at, naive=True)["surv"]
        assert at == 4 or abs(k["surv"] - wrong) > 0.02, (at, k["surv"], wrong)
        wh = dict(scope_level="all", component="drain_pump", curve="survival", age_years=at)
        w.expect(f"delayed entry: survival to {at}", "life", wh, "estimate", equals=round(k["surv"], 4), tolerance=0.004, ref=k["surv"])
        w.count("eight had the fault before", "life", wh, "machines", 120, k["machines"])
    for lo, yrs in ((2, 60), (5, 128), (9, 68)):
        x = r.rate(band=(lo, lo + 1))
        w.expect(f"machine-years at age {lo}", "failure_rate", dict(ALL, age_from_years=lo), "machine_years", equals=yrs, tolerance=0.5, ref=x["years"])
        w.count("events there", "failure_rate", dict(ALL, age_from_years=lo), "events", x["events"])
    x = r.rate()
    w.count("faults before entry are not events", "failure_rate", ALL, "events", 66, x["events"])
    w.expect("128 machines x 7 years", "failure_rate", ALL, "machine_years", equals=896, tolerance=2, ref=x["years"])
    x = r.rate("drain_pump")
    w.count("drain pumps while watched", "failure_rate", dict(ALL, component="drain_pump"), "events", 60, x["events"])
    return w


@world
def o08():
    w = World("open", "08_not_named", "Faults without a part named, and two parts in one cell", """
100 machines for four years, 400 machine-years. Jobs on which a fault was found: 30 drain pump, 20 door lock, 25 repaired with no part named, 10 with "drain_pump; door_lock" in the cell,
5 with the same cell but findings that say: the door lock failed first and took the drain pump with it. 90 in all, 0.225 a year. Ten more jobs found no fault.
Primary drain pump: 30 + 10 = 40. Primary door lock: 20 + 5 = 25. Not named: 25. The second part of a cell is one more finding, not a second primary. Consequential drain pump: 5.
""", "2024-12-31")
    s = w.shop("brook", ("2021-01-01", "2024-12-31"))
    m = mac(model="YV 505")
    for i in range(100):
        s.machine(machine_id=f"M{i + 1}", **m, in_service_on="2021-01-01", entered_on="2021-01-01")
    kinds = ["drain_pump"] * 30 + ["door_lock"] * 20 + [""] * 25 + ["drain_pump; door_lock"] * 10 + ["found"] * 5 + ["nff"] * 10
    days = spread(100, "2021-02-01", "2024-11-30")
    for i, day in enumerate(days):
        k = kinds[(i * 37) % 100]
        j = s.job(day, machine_id=f"M{(i * 29) % 100 + 1}", **m, component="drain_pump; door_lock" if k == "found" else "" if k == "nff" else k, outcome="no_fault_found" if k == "nff" else "repaired")
        if k == "found":
            s.finding(job_id=j["job_id"], step=1, component="door_lock", role="primary")
            s.finding(job_id=j["job_id"], step=2, component="drain_pump", role="consequential", caused_by=1)
    r = w.write()
    x = r.rate()
    w.count("any fault: named or not, each job once", "failure_rate", ALL, "events", 90, x["events"])
    w.expect("90 over 400", "failure_rate", ALL, "estimate", equals=0.225, tolerance=0.001, ref=x["rate"])
    for comp, n in (("drain_pump", 40), ("door_lock", 25), ("not_named", 25)):
        x = r.rate(comp)
        w.count(f"{comp} in the rates", "failure_rate", dict(ALL, component=comp), "events", n, x["events"])
        w.expect(f"{comp}: the rate", "failure_rate", dict(ALL, component=comp), "estimate", equals=n / 400, tolerance=0.001, ref=x["rate"])
        w.count(f"{comp} in the shares", "fault_share", dict(scope_level="all", component=comp, role="primary", statistic="share"), "events", n)
    w.expect("drain pump: 40 of 65 named, or of 90 with a fault", "fault_share", dict(scope_level="all", component="drain_pump", role="primary", statistic="share"), "estimate", min=40 / 90 - 0.0005, max=40 / 65 + 0.0005)
    w.expect("jobs without a fault are in no share", "fault_share", dict(scope_level="all", component="drain_pump", role="primary", statistic="share"), "jobs", min=65, max=90)
    w.count("the findings name five consequential drain pumps", "fault_share", dict(scope_level="all", component="drain_pump", role="consequential", statistic="share"), "events", 5)
    w.count("ten without a fault", "outcome", dict(scope_level="all", outcome="no_fault_found", not_repaired_reason=""), "events", 10)
    return w


def returns_world(w, seed, cats, n_short, n_long, short_from, short_to, long_from, long_to, hz, comps, back):
    """Repairs with constant hazards of return by kind; hz: share that returns within 365 days, by same/other/unnamed."""
    rnd = random.Random(seed)
    s = w.shop("lane", ("2021-01-01", w.as_of))
    total = sum(hz.values())
    lam = -math.log(1 - total) / 365
    i = 0
    for n, lo, hi in ((n_short, short_from, short_to), (n_long, long_from, long_to)):
        for day in spread(n, lo, hi):
            i += 1
            comp = comps[i % len(comps)]
            s.job(day, machine_id=f"Z{i:04d}", **cats, component=comp, labour_cost=45, parts_cost=25, currency="GBP")
            closed = day
            while True:
                when = plus(closed, math.ceil(rnd.expovariate(lam)))
                u = rnd.random() * total
                if plus(when, 2) > d(w.as_of):
                    break
                closed = plus(when, 2)
                kw = dict(booked_on=str(when), machine_id=f"Z{i:04d}", **cats)
                if u >= hz["same"] + hz["other"]:
                    s.job(closed, **kw, component="", outcome="condemned")
                    break
                if u >= hz["same"]:
                    comp = comps[(comps.index(comp) + 1) % len(comps)]
                s.job(closed, **kw, component=comp, outcome=back, labour_cost=45, parts_cost=25, currency="GBP")
                if back != "repaired":
                    break
    return s


@world
def o09():
    w = World("open", "09_short_follow_up", "Most repairs are too recent to have come back", """
500 repairs of machines outside the roster. 300 were closed about 120 days before the cut-off, 200 at least 440 days before. Returns come at a constant rate such that within 365 days
10 % return with the same fault, 8 % with another, 3 % with a fault of which no part is named. Kaplan-Meier over all repairs gives the share of any return; Aalen-Johansen that
of the same fault, other returns competing. A plain ratio of returns seen to repairs done is far too low. Unnamed returns are neither same nor other: the estimate may count them
as a third competing kind or as lost from sight, and the two readings bound it.
""", "2024-12-31")
    returns_world(w, 23, mac(brand="Marngate", model="MG 30"), 300, 200, "2024-08-26", "2024-09-08", "2023-03-01", "2023-10-15", dict(same=0.10, other=0.08, unnamed=0.03), ["drain_pump", "door_lock"], "repaired")
    r = w.write()
    base = dict(scope_level="all", part_source="", repair_scope="", roster_only=False)
    a = r.recall(365)
    wh = dict(base, component="", horizon_days=365, same_fault=False)
    assert a["prob"] - a["naive"] > 0.03, a
    w.count("repairs followed, first ones and those of returns", "recall", wh, "jobs", a["jobs"])
    w.count("returns seen within a year", "recall", wh, "events", a["events"])
    w.expect("Kaplan-Meier for any return", "recall", wh, "estimate", equals=round(a["prob"], 4), tolerance=0.004, ref=a["prob"])
    assert abs(a["prob"] - 0.21) < 1.2 * math.sqrt(0.21 * 0.79 / 200), a
    w.expect("the interval holds the true 21 %", "recall", wh, "estimate", holds=0.21)
    for comp in ("", "drain_pump"):
        b1 = r.recall(365, comp or None, True)
        b2 = r.recall(365, comp or None, True, "censor")
        wh = dict(base, component=comp, horizon_days=365, same_fault=True)
        assert min(b1["prob"], b2["prob"]) - b1["naive"] > 0.012, (b1, b2)
        w.count("returns with the same part", "recall", wh, "events", b1["events"])
        w.expect("Aalen-Johansen for the same fault", "recall", wh, "estimate", min=min(b1["prob"], b2["prob"]) - 0.003, max=max(b1["prob"], b2["prob"]) + 0.003, ref=b1["prob"])
        assert abs(b1["prob"] - 0.10) < 1.3 * math.sqrt(0.1 * 0.9 / (200 if not comp else 100)), b1
        w.expect("the interval holds the true 10 %", "recall", wh, "estimate", holds=0.10)
    for h in (30, 90):
        x = r.recall(h)
        wh = dict(base, component="", horizon_days=h, same_fault=False)
        w.count(f"returns within {h} days", "recall", wh, "events", x["events"])
        w.expect(f"share within {h} days", "recall", wh, "estimate", equals=round(x["prob"], 4), tolerance=0.003, ref=x["prob"])
    return w


@world
def o10():
    w = World("open", "10_frailty", "A few machines bring most of the faults", """
200 machines for five years, 1,000 machine-years. Ten of them fail 14 times each, 60 of the others once: 200 faults, 0.2 a year.
Poisson alone would say 0.2 plus or minus 0.028. The faults of one machine are not independent: the variance between machines gives a standard error about three times as large.
The bounds asked for are 0.8 of that robust distance.
""", "2024-12-31")
    s = w.shop("farm", ("2020-01-01", "2024-12-31"))
    m = mac(brand="Tarrivox", model="TX 9")
    for i in range(200):
        s.machine(machine_id=f"F{i + 1}", **m, in_service_on="2020-01-01", entered_on="2020-01-01")
    comps = ["inlet_valve", "pressure_switch", "door_lock"]
    for i in range(10):
        for k, day in enumerate(spread(14, plus(d("2020-01-20"), i * 3), plus(d("2024-12-01"), i))):
            s.job(day, machine_id=f"F{i * 20 + 1}", **m, component=comps[k % 3])
    others = [i for i in range(200) if i % 20]
    for i, day in enumerate(spread(60, "2020-02-01", "2024-12-01")):
        s.job(day, machine_id=f"F{others[i * 3] + 1}", **m, component=comps[i % 3])
    r = w.write()
    x = r.rate()
    pois = math.sqrt(x["events"]) / x["years"]
    assert x["se"] / pois > 2.4, (x, pois)
    w.count("140 + 60", "failure_rate", ALL, "events", 200, x["events"])
    w.expect("200 over 1,000", "failure_rate", ALL, "estimate", equals=0.2, tolerance=0.001, ref=x["rate"])
    h = 0.8 * 1.96 * x["se"]
    w.expect("the upper end is far above Poisson's", "failure_rate", ALL, "upper", min=round(x["rate"] + h, 3))
    w.expect("the lower end is far below Poisson's", "failure_rate", ALL, "lower", max=round(x["rate"] * math.exp(-h / x["rate"]), 3))
    w.expect("the interval holds the estimate", "failure_rate", ALL, "estimate", holds=0.2)
    y = r.rate("inlet_valve")
    h = 0.8 * 1.96 * y["se"]
    wh = dict(ALL, component="inlet_valve")
    w.count("inlet valves", "failure_rate", wh, "events", y["events"])
    w.expect("so for a part", "failure_rate", wh, "upper", min=round(y["rate"] + h, 3))
    return w


def age_mix(s, seed, category, brand, models, n, start, years, hazard, p_cond, comps, prefix):
    """Every model alike at equal age; they differ in how old the machines are at the start. models: (name, youngest, oldest)."""
    rnd = random.Random(seed)
    t0 = d(start)
    for name, lo, hi in models:
        for i in range(n):
            age0 = lo + (hi - lo) * (i + 0.5) / n
            mid = f"{prefix}{name.split()[-1]}-{i + 1}"
            born = plus(t0, -round(age0 * YEAR))
            s.machine(machine_id=mid, category=category, brand=brand, model=name, in_service_on=str(born), entered_on=start)
            t = 0.0
            while True:
                t += rnd.expovariate(hazard(age0 + years))
                if t >= years - 0.02:
                    break
                if rnd.random() > hazard(age0 + t) / hazard(age0 + years):
                    continue
                day = plus(t0, int(t * YEAR) + 1)
                cond = rnd.random() < p_cond(age0 + t)
                s.job(day, machine_id=mid, category=category, brand=brand, model=name, component=rnd.choice(comps), outcome="condemned" if cond else "repaired")
                if cond:
                    break


def standing_check(r, category, comps):
    """How far each model lies from the other models at equal age, in standard errors: rates and write-off shares."""
    bands = [(k, k + 1) for k in range(10)] + [(10, 12), (12, 15), (15, None)]
    models = sorted({s["model"] for s in r.stays if s["category"] == category})
    worst, crude = 0.0, {}
    cells = {}
    for m in models:
        for b in bands:
            for c in [None] + comps:
                cells[m, b, c] = r.rate(c, b, lambda q: q["category"] == category and q["model"] == m)
    born = {s["key"]: s["birth"] for s in r.stays}
    for m in models:
        for c in [None] + comps:
            o = e = 0.0
            for b in bands:
                ev = sum(cells[x, b, c]["events"] for x in models if x != m)
                yr = sum(cells[x, b, c]["years"] for x in models if x != m)
                if yr > 0:
                    o += cells[m, b, c]["events"]
                    e += cells[m, b, c]["years"] * ev / yr
            worst = max(worst, abs(o - e) / math.sqrt(e))
        tot = [sum(cells[m, b, None][k] for b in bands) for k in ("events", "years")]
        crude[m] = tot[0] / tot[1]
        o = e = v = 0.0
        for b in bands:
            def inb(j):
                a = (j["day"].toordinal() - born[j["key"]]) / YEAR
                return j["category"] == category and a >= b[0] and (b[1] is None or a < b[1])
            js = [j for j in r.jobs if inb(j)]
            mine = [j for j in js if j["model"] == m]
            rest = [j for j in js if j["model"] != m]
            if mine and rest:
                p = sum(j["outcome"] == "condemned" for j in rest) / len(rest)
                o += sum(j["outcome"] == "condemned" for j in mine)
                e += len(mine) * p
                v += len(mine) * p * (1 - p)
        worst = max(worst, abs(o - e) / math.sqrt(v))
    return worst, crude


def calm_seed(make, category, comps, limit, tries=400):
    for seed in range(tries):
        w = make(seed)
        r = w.write()
        worst, crude = standing_check(r, category, comps)
        if worst < limit:
            return w, r, crude
    raise AssertionError("no calm seed")


@world
def o11():
    comps = ["drain_pump", "heating_element"]

    def make(seed):
        w = World("open", "11_only_age_differs", "Models that differ in nothing but the age of their machines", """
Five models of washing machine, 90 machines each, watched for four years. At equal age they fail alike (0.03 + 0.03 a year of age) and are condemned alike
(5 % of faults and 4 points more per year of age). They only differ in how old the machines are: the youngest model starts at 0-5 years, the oldest at 8-13.
So the crude rates and write-off shares differ threefold, and no model is worse or better than another.
""", "2024-12-31")
        s = w.shop("ridge", ("2021-01-01", "2024-12-31"))
        age_mix(s, 1000 + seed, "washing_machine", "Yelvick", [(f"YV {100 + 110 * k}", 2 * k, 2 * k + 5) for k in range(5)], 90, "2021-01-01", 4.0,
                lambda a: 0.03 + 0.03 * a, lambda a: min(0.75, 0.05 + 0.04 * a), comps, "W")
        return w
    w, r, crude = calm_seed(make, "washing_machine", comps, 1.6)
    assert max(crude.values()) / min(crude.values()) > 2.4, crude
    w.expect("no model is worse: age explains it", "model_standing", dict(scope_level="model", standing="worse"), rows=0)
    w.expect("no model is better", "model_standing", dict(scope_level="model", standing="better"), rows=0)
    x = r.rate()
    w.count("faults in all", "failure_rate", ALL, "events", x["events"])
    w.expect("the rate of all models together", "failure_rate", ALL, "estimate", equals=round(x["rate"], 4), tolerance=0.002, ref=x["rate"])
    w.expect("five models stand in the table of rates", "model_standing", dict(scope_level="model", component="", measure="rate"), rows=5)
    return w


@world
def o12():
    w = World("open", "12_one_model_is_bad", "One model fails four times as often", """
Eight models of tumble dryer, 50 machines each, all new on 2021-01-01 and watched to the end of 2024: 200 machine-years a model. Seven have 20 faults (0.1 a year), one has 80 (0.4).
That is 80 where the others would lead one to expect 20: it must be found, and no other may be called worse.
""", "2024-12-31")
    s = w.shop("tower", ("2021-01-01", "2024-12-31"))
    for k in range(8):
        m = mac("tumble_dryer", "Heskby", f"HK {20 + 7 * k}")
        for i in range(50):
            s.machine(machine_id=f"T{k}-{i + 1}", **m, in_service_on="2021-01-01", entered_on="2021-01-01")
        for i, day in enumerate(spread(80 if k == 3 else 20, plus(d("2021-01-25"), k), plus(d("2024-12-10"), k))):
            s.job(day, machine_id=f"T{k}-{(i * 11) % 50 + 1}", **m, component="dryer_belt" if (i // 2) % 2 else "drum_rollers")
    r = w.write()
    x = r.rate(sel=lambda q: q["model"] == "HK 41")
    assert x["events"] == 80 and abs(x["years"] - 200) < 0.3
    bad = dict(scope_level="model", measure="rate", component="")
    w.expect("one model is worse over all faults", "model_standing", dict(bad, standing="worse"), rows=1)
    w.expect("it is the one with 80 faults", "model_standing", dict(bad, events=80), "standing", **{"is": "worse"})
    w.expect("its crude rate", "model_standing", dict(bad, events=80), "crude", equals=0.4, tolerance=0.002, ref=x["rate"])
    w.expect("its rate after shrinkage is still far above 0.1", "model_standing", dict(bad, events=80), "estimate", min=0.28, max=0.41)
    w.count("and it ranks first", "model_standing", dict(bad, events=80), "rank", 1)
    w.expect("200 machine-years", "model_standing", dict(bad, events=80), "machine_years", equals=200, tolerance=0.6, ref=x["years"])
    w.expect("nothing was condemned", "model_standing", dict(scope_level="model", measure="write_off", standing="worse"), rows=0)
    w.expect("the rate of the model", "failure_rate", dict(scope_level="model", component="", age_from_years="", events=80), "estimate", equals=0.4, tolerance=0.002)
    return w


@world
def o13():
    w = World("open", "13_trend", "One cohort cannot tell age from year; staggered cohorts can", """
220 washing machines all went into service on 2019-01-01 and are watched for six years; faults rise from 22 in the first year by 15 % a year. Every one of them is as old as
the calendar year is late: whether they wear out or the years grow worse cannot be told, and nothing may be claimed, least of all "no change".
300 tumble dryers came new at dates spread evenly from 2008 to 2018 and are watched over the same six years; their rate does not depend on age, and rises by 10 % a year
(from 0.17): the yearly factor is 1.10.
""", "2024-12-31")
    s = w.shop("moor", ("2019-01-01", "2024-12-31"))
    m, t = mac(brand="Tarrivox", model="TX 21"), mac("tumble_dryer", "Heskby", "HK 33")
    for i in range(220):
        s.machine(machine_id=f"C{i + 1}", **m, in_service_on="2019-01-01", entered_on="2019-01-01")
    k = 0
    for y in range(6):
        for day in spread(round(22 * 1.15 ** y), f"{2019 + y}-01-03", f"{2019 + y}-12-29"):
            s.job(day, machine_id=f"C{(k * 37) % 220 + 1}", **m, component="door_lock")
            k += 1
    for i, day in enumerate(spread(300, "2008-01-01", "2018-12-30")):
        s.machine(machine_id=f"G{i + 1}", **t, in_service_on=str(day), entered_on="2019-01-01")
    k = 0
    for y in range(6):
        for day in spread(round(300 * 0.17 * 1.10 ** y), f"{2019 + y}-01-02", f"{2019 + y}-12-30"):
            s.job(day, machine_id=f"G{(k * 97) % 300 + 1}", **t, component="drum_rollers")
            k += 1
    r = w.write()
    for c in ("washing_machine", "tumble_dryer"):
        wh = cat(c, measure="failure_rate", component="", statistic="change_per_year")
        if c == "washing_machine":
            w.expect("no number is claimed for the single cohort", "trend", wh, "estimate", null=True)
            w.expect("nor is it called unchanged", "trend", dict(wh, trend="not_distinguishable"), rows=0)
            w.expect("nor rising or falling", "trend", wh, "trend", is_not=["rising", "falling"])
            w.expect("it says why", "trend", dict(wh, reason=""), rows=0)
        else:
            w.expect("the true factor is inside", "trend", wh, "estimate", holds=1.10)
            w.expect("and the estimate near it", "trend", wh, "estimate", min=1.03, max=1.17)
            w.count("events of six whole years", "trend", wh, "events", sum(round(51 * 1.10 ** y) for y in range(6)), r.rate(sel=lambda q: q["category"] == c)["events"])
    x = r.rate(sel=lambda q: q["category"] == "tumble_dryer")
    w.expect("300 machines for six years", "failure_rate", cat("tumble_dryer", component="", age_from_years=""), "machine_years", equals=1800, tolerance=5, ref=x["years"])
    return w


@world
def o14():
    w = World("open", "14_blank_costs", "What an empty amount means, and five skewed costs", """
Shop lock says that a blank parts cost is nothing: of its 60 repaired washing machines 40 had parts for 30 each and 20 a blank, mean parts 20, mean total 20 + 45 labour = 65.
Shop weir says that it is not known: of its 50 repaired dryers 35 had parts at 24 each and 15 a blank, mean parts 24 over 35 jobs, total 24 + 50 = 74 over 35 jobs, labour 50 over 50.
Shop fold repaired five dishwashers only; parts costs are skewed (log-normal, sigma 1.5, true mean 20 x exp(1.125) = 61.6) and the five stand at the sixths of that law.
Their mean is about 31.7; an interval, if one is printed, has to reach the true mean.
""")
    s = w.shop("lock", blank=dict(parts_cost="nothing"), folder="lock")
    m, t, u = mac(model="YV 61"), mac("tumble_dryer", "Heskby", "HK 15"), mac("dishwasher", "Pellorne", "PL 22")
    for i, day in enumerate(spread(60, "2023-01-10", "2024-11-20")):
        s.job(day, machine_id=f"K{i}", **m, component="door_lock", labour_cost=45, parts_cost="" if i % 3 == 2 else 30, currency="GBP")
    for i, day in enumerate(spread(8, "2023-02-10", "2024-10-20")):
        s.job(day, machine_id=f"KC{i}", **m, component="motor", outcome="condemned", labour_cost=15, parts_cost="", currency="GBP")
    s = w.shop("weir", blank=dict(parts_cost="unknown"), folder="weir")
    for i, day in enumerate(spread(50, "2023-01-10", "2024-11-20")):
        s.job(day, machine_id=f"K{i}", **t, component="dryer_belt", labour_cost=50, parts_cost="" if i % 10 in (1, 4, 8) else 24, currency="GBP")
    s = w.shop("fold", blank=dict(parts_cost="unknown"), folder="fold")
    for i, (day, c) in enumerate(zip(spread(5, "2023-03-10", "2024-09-20"), (4.69, 10.48, 20.0, 38.17, 85.30))):
        s.job(day, machine_id=f"K{i}", **u, component="wash_pump", labour_cost=40, parts_cost=c, currency="GBP")
    r = w.write()
    def cost(c, kind, **kw):
        return cat(c, component="", age_from_years="", cost=kind, statistic="mean", **kw)
    for c, kind, n, mean in (("washing_machine", "parts", 60, 20), ("washing_machine", "total", 60, 65), ("washing_machine", "labour", 60, 45),
                             ("tumble_dryer", "parts", 35, 24), ("tumble_dryer", "total", 35, 74), ("tumble_dryer", "labour", 50, 50)):
        js = [j for j in r.jobs if j["category"] == c and j["outcome"] == "repaired"]
        zero = 0 if c == "washing_machine" else None
        part = [j["parts_cost"] if j["parts_cost"] is not None else zero for j in js]
        val = [p for p in part if p is not None] if kind == "parts" else [j["labour_cost"] + p for j, p in zip(js, part) if p is not None] if kind == "total" else [j["labour_cost"] for j in js]
        w.count(f"{c}: jobs with the amount of {kind} known", "repair_cost", cost(c, kind), "jobs", n, len(val))
        w.expect(f"{c}: mean of {kind}", "repair_cost", cost(c, kind), "estimate", equals=mean, tolerance=0.01, ref=sum(val) / len(val))
    w.expect("the mean of the five, or none", "repair_cost", cost("dishwasher", "parts"), "upper", min=61.6, or_null=True)
    w.expect("its lower end", "repair_cost", cost("dishwasher", "parts"), "lower", max=61.6, or_null=True)
    w.count("five jobs", "repair_cost", cost("dishwasher", "parts"), "jobs", 5)
    return w


def wd(day, n):
    """The n-th working day after day."""
    while n:
        day = plus(day, 1)
        if day.weekday() < 5:
            n -= 1
    return day


@world
def o15():
    w = World("open", "15_orders_still_open", "Parts ordered and never seen", """
100 orders of new original drain pumps for a washing machine that was sold from 2021-09-01 to 2024-01-15, ordered February to June 2024. 60 came after 5 working days, 15 after 32,
10 were reported unavailable, 15 are still open at the end of November, at least 100 working days later. The law's limit is 15 working days (with room for holidays: 19).
Orders open that long are known to be late. Not delivered in time: 15 + 10 + 15 = 40 of 100; leaving the open ones out would give 25 of 85.
""", "2024-11-29")
    s = w.shop("pier")
    m = mac(brand="Ostrembel", model="OB 700")
    s.model(**m, platform="OB7", drum_design="bolted", motor_type="brushless", first_sold_on="2021-09-01", last_sold_on="2024-01-15", price_new=420)
    kinds = ["fast"] * 60 + ["slow"] * 15 + ["none"] * 10 + ["open"] * 15
    for i, day in enumerate(spread(100, "2024-02-05", "2024-06-20")):
        while day.weekday() > 4:
            day = plus(day, 1)
        k = kinds[(i * 37) % 100]
        got = wd(day, 5) if k == "fast" else wd(day, 32) if k == "slow" else None
        j = s.job(plus(got or plus(day, 40), 1), booked_on=str(plus(day, -1)), machine_id=f"P{i + 1}", **m, component="drain_pump", outcome="repaired" if got else "unknown")
        s.part(job_id=j["job_id"], component="drain_pump", part_number="OB-4471", part_source="new-original", quantity=1, unit_cost=31, ordered_on=str(day), received_on=str(got) if got else "", unavailable="yes" if k == "none" else "no")
    w.write()
    wh = dict(scope_level="all", part_source="new-original", audience="", law="", statutory_class="", period="within")
    w.expect("not in time: 40 of 100", "part_supply", dict(wh, statistic="late_or_unavailable"), "estimate", equals=0.40, tolerance=0.006)
    w.expect("late: 30 of 100, or of the 90 not cancelled", "part_supply", dict(wh, statistic="late"), "estimate", min=0.295, max=0.34)
    w.expect("unavailable: 10 of 100, or of the 85 with an end", "part_supply", dict(wh, statistic="unavailable"), "estimate", min=0.099, max=0.119)
    w.count("15 orders are open", "part_supply", dict(wh, statistic="late_or_unavailable"), "orders_open", 15)
    w.expect("with room for holidays the same orders are late", "part_supply", dict(wh, statistic="late_allowing_holidays"), "estimate", min=0.295, max=0.34)
    return w


@world
def o16():
    w = World("open", "16_two_hazards", "Two platforms of constant hazard are no early failures", """
150 machines of platform K1 have door locks that fail at a constant 0.5 a year, 150 of platform K2 at a constant 0.05; each is watched from new for five years.
The times to the first fault stand at the quantiles of those laws, so that each platform's shape is 1. Pooled, the hazard falls as the bad ones drop out;
no row may word that as early failure.
""", "2024-12-31")
    s = w.shop("knoll", ("2020-01-01", "2024-12-31"))
    for p, lam, model in (("K1", 0.5, "KD 100"), ("K2", 0.05, "KD 300")):
        m = mac("dishwasher", "Dunwhistle", model)
        s.model(**m, platform=p)
        for i in range(150):
            mid = f"{p}-{i + 1}"
            s.machine(machine_id=mid, **m, in_service_on="2020-01-01", entered_on="2020-01-01")
            t = -math.log(1 - (i + 0.5) / 150) / lam
            if t < 4.99:
                s.job(plus(d("2020-01-01"), max(1, round(t * YEAR))), machine_id=mid, **m, component="door_lock")
    r = w.write()
    w.expect("nowhere early life", "life", dict(curve="weibull", hazard_pattern="early_life"), rows=0)
    w.expect("nowhere wear-out within the platforms", "life", dict(curve="weibull", scope_level="platform", hazard_pattern="wear_out"), rows=0)
    k = r.km("door_lock", 3)
    w.expect("pooled survival to age 3: half of exp(-1.5) and half of exp(-0.15)", "life", dict(scope_level="all", component="door_lock", curve="survival", age_years=3), "estimate",
             equals=round((math.exp(-1.5) + math.exp(-0.15)) / 2, 4), tolerance=0.01, ref=k["surv"])
    w.count("300 machines", "life", dict(scope_level="all", component="door_lock", curve="survival", age_years=3), "machines", 300, k["machines"])
    for p, lam in (("KD 100", 0.5), ("KD 300", 0.05)):
        x = r.rate("door_lock", sel=lambda q: q["model"] == p)
        w.expect(f"{p}: exposure goes on after a fault", "failure_rate", dict(scope_level="model", component="door_lock", age_from_years="", events=x["events"]), "machine_years", equals=750, tolerance=2, ref=x["years"])
    return w


@world
def o17():
    w = World("open", "17_last_ten_machines", "The mean number of repairs ends where fewer than ten machines are left", """
40 machines are watched from new for six years, with 48 repairs. Three old ones are watched from age 9 to 15, with seven repairs: at those ages only three machines
are at risk, and the curve must have ended. Up to six years it is Nelson's estimate, the sum of 1 over the machines at risk: with 40 at risk throughout, 48 / 40 = 1.2.
""", "2024-12-31")
    s = w.shop("cove", ("2019-01-01", "2024-12-31"))
    m = mac(brand="Marngate", model="MG 88")
    for i in range(40):
        s.machine(machine_id=f"A{i + 1}", **m, in_service_on="2019-01-01", entered_on="2019-01-01")
    for i in range(3):
        s.machine(machine_id=f"B{i + 1}", **m, in_service_on="2010-01-01", entered_on="2019-01-01")
    for i, day in enumerate(spread(48, "2019-02-01", "2024-12-01")):
        s.job(day, machine_id=f"A{(i * 7) % 40 + 1}", **m, component="carbon_brushes" if i % 2 else "drain_pump")
    for i, day in enumerate(spread(7, "2019-03-01", "2024-10-01")):
        s.job(day, machine_id=f"B{i % 3 + 1}", **m, component="motor")
    r = w.write()
    f = r.mcf()
    good = [x for x in f if x[3] is not None]
    assert len(good) == 48 and good[-1][1] == 40 and {x[1] for x in f[48:]} == {3}
    w.count("40 machines at risk at the last repair shown", "recurrence", dict(scope_level="all", events=48), "at_risk", 40)
    w.expect("48 / 40", "recurrence", dict(scope_level="all", events=48), "estimate", equals=1.2, tolerance=0.005, ref=good[-1][3])
    w.expect("half way", "recurrence", dict(scope_level="all", events=24), "estimate", equals=0.6, tolerance=0.005, ref=good[23][3])
    w.expect("nothing where three are left", "recurrence", dict(scope_level="all", at_risk=3), rows=0)
    for n in (49, 55):
        w.expect("the curve has ended", "recurrence", dict(scope_level="all", events=n), rows=0)
    x = r.rate()
    w.count("in the rates all 55 count", "failure_rate", ALL, "events", 55, x["events"])
    w.expect("43 machines for six years", "failure_rate", ALL, "machine_years", equals=258, tolerance=1, ref=x["years"])
    return w


@world
def o18():
    w = World("open", "18_sealed_unnamed", "A third of the condemned have no part named", """
60 condemned jobs: 20 have no part named, 30 drum bearings on a model with a sealed tub, 4 drum bearings on a bolted one, 6 door locks on the sealed one. Of the 40 named, 30 were sealed in: 75 %.
Over all 60 the share is at least 30/60 = 50 % and, were all the unnamed sealed in, at most 50/60 = 83 %. To take the unnamed as certainly not sealed would give 50 % with an
upper end of 62 %; the interval must leave room for 75 %.
""", "2024-12-31")
    s = w.shop("ford")
    a, b = mac(brand="Ostrembel", model="OB 45"), mac(brand="Dunwhistle", model="DW 72")
    s.model(**a, drum_design="sealed")
    s.model(**b, drum_design="bolted")
    kinds = [(a, "drum_bearings", "condemned")] * 30 + [(b, "drum_bearings", "condemned")] * 4 + [(a, "door_lock", "condemned")] * 6 + [(a, "", "condemned")] * 15 + [(b, "", "condemned")] * 5
    kinds += [(b, "drum_bearings", "repaired")] * 20 + [(a, "drain_pump", "repaired")] * 25 + [(b, "drain_pump", "repaired")] * 15
    for i, day in enumerate(spread(120, "2022-01-10", "2024-12-20")):
        m, c, o = kinds[(i * 47) % 120]
        s.job(day, machine_id=f"Q{i + 1}", **m, component=c, outcome=o)
    r = w.write()
    c = [j for j in r.jobs if j["outcome"] == "condemned"]
    assert len(c) == 60 and sum(j["primary"] == ["not_named"] for j in c) == 20
    wh = dict(scope_level="all", statistic="of_condemned", component="")
    w.expect("between all unnamed open and all unnamed sealed", "sealed_write_off", wh, "estimate", min=0.4995, max=0.8338)
    w.expect("the upper end leaves room for the share among the named", "sealed_write_off", wh, "upper", min=0.75)
    w.expect("30 were certainly sealed in", "sealed_write_off", wh, "events", min=30, max=30)
    w.expect("the condemned jobs, or those with a part named", "sealed_write_off", wh, "condemned", min=40, max=60)
    wh = dict(scope_level="all", outcome="condemned", not_repaired_reason="")
    w.count("60 of 120", "outcome", wh, "events", 60, len(c))
    w.count("20 + 0 not named in the shares", "fault_share", dict(scope_level="all", component="not_named", role="primary", statistic="share"), "events", 20)
    return w


@world
def o19():
    w = World("open", "19_near_names_and_repeats", "Brands one letter apart, spellings of one brand, and rows told twice", """
Brand Velmoro and brand Velmora are two makers. Velmora is also written VELMORA, velmora, Vel-Mora, Velmóra and " Velmora ", which are all the same. Jobs: 60 Velmora (10 in each of six
spellings), 45 Velmoro. 14 rows are repeated word for word and count once. Three jobs were told again with a corrected parts cost (35 instead of 350): the later row holds.
Four rows have no day of closing and cannot be used. All in all 105 jobs, of which 105 repaired; the mean parts cost is 35.
""", "2024-12-31")
    s = w.shop("crag", blank=dict(parts_cost="unknown"))
    forms = ["Velmora", "VELMORA", "velmora", "Vel-Mora", "Velm\u00f3ra", " Velmora "]
    again, fixed = [], []
    for i, day in enumerate(spread(105, "2023-01-10", "2024-12-10")):
        brand, model = (forms[i % 6], "VM 210") if i < 60 else ("Velmoro", "RX 55")
        wrong = i in (7, 42, 80)
        j = s.job(day, machine_id=f"V{i + 1}", category="washing_machine", brand=brand, model=model, component="drain_pump", labour_cost=40, parts_cost=350 if wrong else 35, currency="GBP")
        if wrong:
            fixed.append(dict(j, parts_cost=35))
        elif i % 7 == 3 and len(again) < 14:
            again.append(dict(j))
    for j in again + fixed:
        s.tables["jobs"].append(j)
    assert len(again) == 14
    for i in range(4):
        s.job("", machine_id=f"V{200 + i}", category="washing_machine", brand="Velmora", model="VM 210", component="drain_pump", labour_cost=40, parts_cost=35, currency="GBP")
    r = w.write()
    assert len(r.jobs) == 105 and {j["parts_cost"] for j in r.jobs} == {35.0}
    rep = dict(outcome="repaired", not_repaired_reason="")
    w.count("each job once", "outcome", dict(scope_level="all", **rep), "jobs", 105, len(r.jobs))
    w.expect("two brands", "outcome", dict(scope_level="brand", **rep), rows=2)
    w.expect("60 of the one", "outcome", dict(scope_level="brand", **rep, jobs=60), rows=1)
    w.expect("45 of the other", "outcome", dict(scope_level="brand", **rep, jobs=45), rows=1)
    wh = dict(scope_level="all", component="", age_from_years="", cost="parts", statistic="mean")
    w.expect("the corrected amounts", "repair_cost", wh, "estimate", equals=35, tolerance=0.001)
    w.count("over 105 jobs", "repair_cost", wh, "jobs", 105)
    w.expect("two brands in the costs", "repair_cost", dict(scope_level="brand", component="", age_from_years="", cost="labour", statistic="mean"), rows=2)
    return w


@world
def o20():
    w = World("open", "20_clocks_and_edges", "Ages at the very edge, booked or closed, and clocks that only a job tells", """
40 machines in use and in care since 2016-01-01. On 2020-01-01 they are 1461 days = exactly four years old. 12 faults are booked that day: band 4-5, lower edge included.
10 are booked on 2017-12-28 (age 1.99) and closed on 2018-01-09 (age 2.02): band 1-2. 6 have no booking and are closed on 2018-01-05 (age 2.01): band 2-3.
9 machines leave on 2022-06-30: 5 of them have a fault booked on the 28th and closed in July, which counts; 4 have one booked in July, which does not.
30 more machines are in care without a first day of use; 11 of them have a job that states an age or the year made: those count over all ages and in no band.
""", "2023-12-31")
    s = w.shop("glen", ("2016-01-01", "2023-12-31"))
    m = mac(brand="Tarrivox", model="TX 60")
    for i in range(40):
        gone = i >= 31
        s.machine(machine_id=f"E{i + 1}", **m, in_service_on="2016-01-01", entered_on="2016-01-01", left_on="2022-06-30" if gone else "", left_reason="sold" if gone else "")
    for i in range(30):
        s.machine(machine_id=f"H{i + 1}", **m, entered_on="2016-01-01")
    for i in range(12):
        s.job("2020-01-14", booked_on="2020-01-01", machine_id=f"E{i + 1}", **m, component="drain_pump")
    for i in range(10):
        s.job("2018-01-09", booked_on="2017-12-28", machine_id=f"E{i + 13}", **m, component="door_lock")
    for i in range(6):
        s.job("2018-01-05", machine_id=f"E{i + 23}", **m, component="door_lock")
    for i in range(5):
        s.job("2022-07-05", booked_on="2022-06-28", machine_id=f"E{i + 32}", **m, component="motor")
    for i in range(4):
        s.job("2022-07-15", booked_on="2022-07-08", machine_id=f"E{i + 37}", **m, component="motor")
    for i in range(11):
        s.job(plus(d("2019-03-05"), i * 20), machine_id=f"H{i + 1}", **m, component="inlet_valve", age_years=4 if i < 6 else "", made_year="" if i < 6 else 2015)
    r = w.write()
    x = r.rate()
    w.count("12 + 10 + 6 + 5 + 11", "failure_rate", ALL, "events", 44, x["events"])
    w.expect("70 machines for eight years, less 1.5 for nine", "failure_rate", ALL, "machine_years", equals=round(x["years"], 1), tolerance=2, ref=x["years"])
    for lo, n, yrs in ((1, 10, 40), (2, 6, 40), (3, 0, 40), (4, 12, 40), (6, 5, 31 + 9 * 0.495)):
        x = r.rate(band=(lo, lo + 1))
        wh = dict(ALL, age_from_years=lo)
        if n:
            w.count(f"faults at age {lo}", "failure_rate", wh, "events", n, x["events"])
        else:
            w.expect(f"no fault at age {lo}", "failure_rate", wh, "events", max=0, ref=x["events"])
        w.expect(f"only the forty have ages: {lo}-{lo + 1}", "failure_rate", wh, "machine_years", equals=round(yrs, 2), tolerance=0.4, ref=x["years"])
    w.count("inlet valves count over all ages", "failure_rate", dict(ALL, component="inlet_valve"), "events", 11)
    for lo in (3, 4):
        w.expect("but in no band", "failure_rate", dict(scope_level="all", component="inlet_valve", age_from_years=lo, events=11), rows=0)
    w.count("70 machines over all ages", "failure_rate", ALL, "machines", 70)
    w.count("40 in a band", "failure_rate", dict(ALL, age_from_years=3), "machines", 40)
    return w


@world
def o21():
    w = World("open", "21_what_it_takes_with_it", "What a fault damages, and kitchens full of look-alikes", """
Washing machines with findings: 40 jobs with primary drum bearings, of which 26 also have the motor damaged; 80 with primary drain pump, of which 8 have the motor damaged.
P(motor | bearings) = 26/40 = 0.65; lift against jobs with other primary faults 0.65 / 0.10 = 6.5. A further 30 jobs with bearings have no findings recorded: they are not in the population.
Ovens, hobs, cookers and microwave ovens are four categories: mean total costs 70, 90, 110 and 50.
""", "2024-12-31")
    s = w.shop("spire", blank=dict(parts_cost="unknown"))
    m = mac(brand="Dunwhistle", model="DW 300")
    kinds = ["bm"] * 26 + ["b"] * 14 + ["pm"] * 8 + ["p"] * 72 + ["x"] * 30
    for i, day in enumerate(spread(150, "2022-01-10", "2024-11-30")):
        k = kinds[(i * 67) % 150]
        p = "drain_pump" if k[0] == "p" else "drum_bearings"
        j = s.job(day, machine_id=f"L{i + 1}", **m, component=p, labour_cost=60, parts_cost=40, currency="GBP")
        if k != "x":
            s.finding(job_id=j["job_id"], step=1, component=p, role="primary")
            if k[1:] == "m":
                s.finding(job_id=j["job_id"], step=2, component="motor", role="consequential", caused_by=1)
    for c, brand, n, base in (("oven", "Pellorne", 20, 70), ("hob", "Pellorne", 24, 90), ("cooker", "Pellorne", 28, 110), ("microwave_oven", "Pellorne", 32, 50)):
        for i, day in enumerate(spread(n, "2022-02-01", "2024-11-01")):
            s.job(day, machine_id=f"{c[:3]}{i + 1}", category=c, brand=brand, model=f"PL {base}0", outcome="repaired", labour_cost=base - 30 + (5 if i % 2 else -5), parts_cost=30, currency="GBP")
    r = w.write()
    pop = [j for j in r.jobs if j["findings"] and j["primary"] == ["drum_bearings"]]
    hit = [j for j in pop if any(f["role"] == "consequential" and f["component"] == "motor" for f in j["findings"])]
    wh = cat("washing_machine", component="drum_bearings", consequential_component="motor")
    w.count("bearing jobs with findings", "cascade", wh, "jobs", 40, len(pop))
    w.count("with a damaged motor", "cascade", wh, "events", 26, len(hit))
    w.expect("26 / 40", "cascade", wh, "estimate", equals=0.65, tolerance=0.001, ref=len(hit) / len(pop))
    w.expect("against 8 / 80", "cascade", wh, "lift", min=5.9, max=7.0)
    w.expect("8 / 80", "cascade", cat("washing_machine", component="drain_pump", consequential_component="motor"), "estimate", equals=0.1, tolerance=0.001)
    w.expect("nothing was caused the other way round", "cascade", dict(component="motor", consequential_component="drum_bearings"), rows=0)
    for c, n, mean in (("oven", 20, 70), ("hob", 24, 90), ("cooker", 28, 110), ("microwave_oven", 32, 50)):
        wh = cat(c, component="", age_from_years="", cost="total", statistic="mean")
        js = [j for j in r.jobs if j["category"] == c]
        w.expect(f"{c}: mean of its own jobs", "repair_cost", wh, "estimate", equals=mean, tolerance=0.01, ref=sum(j["labour_cost"] + j["parts_cost"] for j in js) / len(js))
        w.count(f"{c}: its own jobs", "repair_cost", wh, "jobs", n, len(js))
    return w


if __name__ == "__main__":
    from generate_closed import WORLDS as CLOSED

    want = sys.argv[1:]
    for f in WORLDS + CLOSED:
        if not want or f.__name__ in want:
            f().finish()
