"""Held-out skill of base frequencies and of a multinomial logistic regression, to hold `fault_odds` against.

Reads the tidy records that `fixodds simulate --clean` writes and works out split, age and features anew, by the definitions in
DEVELOPERS.md, so that nothing of the Rust code is taken for granted. The split: jobs closed in the last twelve months test, all
before train. Strength of the regression's penalty: chosen on the last twelve months of the training period, as for `fault_odds`.

    fixodds simulate --clean --out demo
    fixodds simulate --clean --seed 7 --out seed7
    python fault_odds.py demo=demo seed7=seed7 > fault_odds.json        # needs requirements.txt
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import sklearn
from sklearn.linear_model import LogisticRegression

AGE_BAND_EDGES = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15]
PENALTIES = [0.1, 0.3, 1.0, 3.0]  # inverse strengths
FLOOR = 1e-6  # probability of a component that the training period never saw


def read(folder):
    table = lambda name: pd.read_csv(Path(folder) / f"{name}.csv", dtype=str)
    jobs, findings, machines, models = (table(name) for name in ["jobs", "findings", "machines", "models"])
    for name in ["booked_on", "closed_on", "bought_on"]:
        jobs[name] = pd.to_datetime(jobs[name])
    machines["in_service_on"] = pd.to_datetime(machines["in_service_on"])
    jobs["event_on"] = jobs["booked_on"].fillna(jobs["closed_on"])

    # Which machine: the roster's, by machine_id or else serial; otherwise the serial itself; otherwise the job itself.
    by_id = machines.dropna(subset="machine_id").set_index("machine_id").index
    by_serial = machines.dropna(subset="serial").drop_duplicates("serial").set_index("serial")["machine_id"]
    roster_id = jobs["machine_id"].where(jobs["machine_id"].isin(by_id))
    roster_id = roster_id.fillna(jobs["serial"].where(jobs["machine_id"].isna()).map(by_serial))
    jobs["unit"] = roster_id.fillna(jobs["machine_id"]).fillna(jobs["serial"]).fillna("job " + jobs["job_id"])
    roster = machines.set_index("machine_id")
    for name in ["brand", "model", "in_service_on"]:
        own = jobs[name] if name in jobs else pd.Series(pd.NaT, index=jobs.index)
        jobs[name] = roster_id.map(roster[name]).fillna(own)
    catalogue = models.drop_duplicates("model").set_index("model")
    jobs["platform"] = jobs["model"].map(catalogue["platform"])
    jobs["category"] = jobs["model"].map(catalogue["category"]).fillna(jobs["category"])

    made_year = pd.to_datetime(jobs["made_year"] + "-07-01")
    stated = jobs["event_on"] - pd.to_timedelta(np.ceil(jobs["age_years"].astype(float) * 365.25), unit="D")
    earliest = lambda dates: dates.groupby(jobs["unit"]).transform("min")
    starts_on = jobs["in_service_on"].fillna(earliest(jobs["bought_on"])).fillna(earliest(made_year)).fillna(earliest(stated))
    jobs["age"] = (jobs["event_on"] - starts_on).dt.days / 365.25
    jobs.loc[jobs["age"] < 0, "age"] = np.nan

    # The primary fault of the lowest step; the job's own component where it has no findings.
    findings["step"] = findings["step"].astype(float)
    primary = findings[findings["role"] == "primary"].sort_values(["job_id", "step", "component"]).drop_duplicates("job_id")
    found = jobs["job_id"].map(primary.set_index("job_id")["component"])
    own = jobs["component"].where(~jobs["job_id"].isin(findings["job_id"])).str.split(";").str[0]
    jobs["fault"] = found.fillna(own)
    return jobs[jobs["fault"].notna() & jobs["category"].notna()]


def features(jobs, known):
    """Indicators of brand, platform, model, age band and symptoms, and the age itself, on the columns of `known`."""
    band = pd.cut(jobs["age"], AGE_BAND_EDGES + [np.inf], right=False, labels=AGE_BAND_EDGES).astype(str)
    parts = [pd.get_dummies(jobs[name]).add_prefix(f"{name} ") for name in ["brand", "platform", "model"]]
    parts.append(pd.get_dummies(band).add_prefix("band "))
    parts.append(jobs["symptoms"].fillna("none").str.get_dummies(";").add_prefix("symptom "))
    table = pd.concat(parts + [(jobs["age"].fillna(jobs["age"].median()) / 10).rename("age")], axis=1).astype(float)
    return table if known is None else table.reindex(columns=known, fill_value=0.0)


def regression(train, test, inverse_strength):
    table = features(train, None)
    model = LogisticRegression(C=inverse_strength, max_iter=2000)
    model.fit(table, train["fault"])
    return pd.DataFrame(model.predict_proba(features(test, table.columns)), index=test.index, columns=model.classes_)


def base_frequencies(train, test):
    shares = train["fault"].value_counts(normalize=True).sort_index()
    return pd.DataFrame(np.tile(shares.to_numpy(), (len(test), 1)), index=test.index, columns=shares.index)


def skill(predict, train, test):
    """Mean log loss, share of faults among the one and three most probable, over all categories."""
    log_loss, first, first_three = 0.0, 0, 0
    for category, asked in test.groupby("category"):
        learnt = train[train["category"] == category]
        answers = predict(learnt, asked)
        truth = asked["fault"].to_numpy()
        columns = {component: at for at, component in enumerate(answers.columns)}
        matrix = answers.to_numpy()
        given = np.array([matrix[row, columns[fault]] if fault in columns else 0.0 for row, fault in enumerate(truth)])
        rank = (matrix > given[:, None]).sum(axis=1)
        seen = np.array([fault in columns for fault in truth])
        log_loss -= np.log(np.maximum(given, FLOOR)).sum()
        first += ((rank == 0) & seen).sum()
        first_three += ((rank < 3) & seen).sum()
    return {"log_loss": log_loss / len(test), "top_1": float(first / len(test)), "top_3": float(first_three / len(test))}


def compare(folder):
    jobs = read(folder)
    last = jobs_last_day(folder)
    cut, earlier = last - pd.DateOffset(years=1), last - pd.DateOffset(years=2)
    train, test = jobs[jobs["closed_on"] <= cut], jobs[jobs["closed_on"] > cut]
    inner, validation = train[train["closed_on"] <= earlier], train[train["closed_on"] > earlier]
    losses = {c: skill(lambda t, a: regression(t, a, c), inner, validation)["log_loss"] for c in PENALTIES}
    best = min(losses, key=losses.get)
    return {
        "train_jobs": len(train),
        "test_jobs": len(test),
        "base_frequencies": skill(base_frequencies, train, test),
        "logistic_regression": {"inverse_strength": best, **skill(lambda t, a: regression(t, a, best), train, test)},
    }


def jobs_last_day(folder):
    return pd.to_datetime(pd.read_csv(Path(folder) / "jobs.csv", usecols=["closed_on"])["closed_on"]).max()


results = {"scikit_learn": sklearn.__version__, **{name: compare(folder) for name, folder in (pair.split("=", 1) for pair in sys.argv[1:])}}
print(json.dumps(results, indent=1))
