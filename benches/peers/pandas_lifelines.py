"""What a user would write instead: fault shares, failure rates, survival curves and mean costs with pandas and lifelines.

Reads the clean CSV files of `fixodds simulate --clean` and writes one CSV a table, so that `benches/compare` can hold the numbers
against the evidence tables. Definitions as in the project's own tables: the fault of a job is its primary finding of the lowest step;
exposure runs from the later of entry and start of service to the earlier of leaving and the last day of the records.

usage: pandas_lifelines.py RECORDS_FOLDER OUT_FOLDER
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter
from lifelines.exceptions import StatError

DAYS_PER_YEAR = 365.25
FEWEST_EVENTS = 5


def main(records: Path, out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    jobs = pd.read_csv(records / "jobs.csv", parse_dates=["booked_on", "closed_on"], low_memory=False)
    findings = pd.read_csv(records / "findings.csv", low_memory=False)
    machines = pd.read_csv(records / "machines.csv", parse_dates=["in_service_on", "entered_on", "left_on"], low_memory=False)
    models = pd.read_csv(records / "models.csv", low_memory=False)
    as_of = jobs["closed_on"].max()
    by_serial = machines.dropna(subset=["serial"]).drop_duplicates("serial").set_index("serial")["machine_id"]
    jobs["machine_id"] = jobs["machine_id"].fillna(jobs["serial"].map(by_serial))

    jobs["event_on"] = jobs["booked_on"].fillna(jobs["closed_on"])
    findings = findings.dropna(subset=["component"]).fillna({"role": "primary", "step": 1})
    # A job without findings of its own has the components of its row.
    alone = jobs[jobs["component"].notna() & ~jobs["job_id"].isin(findings["job_id"])]
    alone = alone[["job_id", "component"]].assign(role="primary", component=alone["component"].str.split(";")).explode("component")
    alone["step"] = alone.groupby("job_id").cumcount() + 1
    findings = pd.concat([findings, alone])
    primary = findings[findings["role"] == "primary"].sort_values(["job_id", "step", "component"])
    jobs = jobs.drop(columns="component")
    faults = primary.drop_duplicates(["job_id", "component"]).merge(jobs, on="job_id")
    first_fault = primary.drop_duplicates("job_id")[["job_id", "component"]].merge(jobs, on="job_id")

    scopes = {"all": [], "category": ["category"], "brand": ["category", "brand"], "model": ["category", "brand", "model"]}
    shares(faults, scopes).to_csv(out / "fault_share.csv", index=False)

    machines = machines.merge(models[["model", "brand", "category", "platform"]], on=["model", "brand"], how="left", suffixes=("", "_catalogue"))
    machines["from_on"] = machines[["entered_on", "in_service_on"]].max(axis=1)
    machines["to_on"] = machines["left_on"].fillna(as_of).clip(upper=as_of)
    machines = machines[machines["to_on"] > machines["from_on"]].copy()
    machines["entry"] = (machines["from_on"] - machines["in_service_on"]).dt.days / DAYS_PER_YEAR
    machines["exit"] = (machines["to_on"] - machines["in_service_on"]).dt.days / DAYS_PER_YEAR
    seen = faults.merge(machines[["machine_id", "in_service_on", "from_on", "to_on"]], on="machine_id", suffixes=("", "_machine"))
    seen = seen[(seen["event_on"] >= seen["from_on"]) & (seen["event_on"] <= seen["to_on"])]
    seen["age"] = (seen["event_on"] - seen["in_service_on"]).dt.days / DAYS_PER_YEAR

    rates(machines, seen, scopes).to_csv(out / "failure_rate.csv", index=False)
    curves(machines, seen, scopes).to_csv(out / "life.csv", index=False)
    costs(first_fault, jobs, scopes).to_csv(out / "repair_cost.csv", index=False)


def grouped(frame: pd.DataFrame, keys: list[str]):
    return frame.groupby(keys, sort=True, dropna=True) if keys else [((), frame)]


def name(keys) -> str:
    return "/".join(keys) if isinstance(keys, tuple) else str(keys)


def shares(faults: pd.DataFrame, scopes: dict) -> pd.DataFrame:
    rows = []
    for level, keys in scopes.items():
        for key, group in grouped(faults, keys):
            jobs = group["job_id"].nunique()
            for component, events in group.groupby("component")["job_id"].nunique().items():
                rows.append((level, name(key), component, events, jobs, events / jobs))
    return pd.DataFrame(rows, columns=["scope_level", "scope", "component", "events", "jobs", "estimate"])


def rates(machines: pd.DataFrame, seen: pd.DataFrame, scopes: dict) -> pd.DataFrame:
    rows = []
    for level, keys in scopes.items():
        events = dict(list(seen.groupby(keys + ["component"]).size().items()))
        for key, group in grouped(machines, keys):
            exposure = (group["exit"] - group["entry"]).sum()
            prefix = key if isinstance(key, tuple) else (key,)
            for component in seen["component"].unique():
                index = (*prefix, component) if keys else component
                count = events.get(index, 0)
                if count:
                    rows.append((level, name(key), component, count, len(group), count / exposure))
    return pd.DataFrame(rows, columns=["scope_level", "scope", "component", "events", "machines", "estimate"])


def curves(machines: pd.DataFrame, seen: pd.DataFrame, scopes: dict) -> pd.DataFrame:
    rows = []
    first = seen.groupby(["machine_id", "component"])["age"].min()
    ages = np.arange(1, 21)
    for level, keys in scopes.items():
        for key, group in grouped(machines, keys):
            for component in seen["component"].unique():
                if component not in first.index.get_level_values("component"):
                    continue
                failed = group["machine_id"].map(first.xs(component, level="component"))
                event = failed.notna()
                if event.sum() < FEWEST_EVENTS:
                    continue
                exit_age = failed.fillna(group["exit"])
                exit_age = exit_age.where(exit_age > group["entry"], group["entry"] + 0.5 / DAYS_PER_YEAR)
                try:
                    fit = KaplanMeierFitter().fit(exit_age, event, entry=group["entry"])
                except StatError:  # lifelines refuses where the first machines at risk all fail
                    continue
                for age, survival in zip(ages, fit.predict(ages)):
                    rows.append((level, name(key), component, age, len(group), survival))
    return pd.DataFrame(rows, columns=["scope_level", "scope", "component", "age_years", "machines", "estimate"])


def costs(first_fault: pd.DataFrame, jobs: pd.DataFrame, scopes: dict) -> pd.DataFrame:
    rows = []
    repaired = jobs[jobs["outcome"] == "repaired"].assign(total=lambda frame: frame["labour_cost"] + frame["parts_cost"])
    by_part = first_fault[first_fault["outcome"] == "repaired"].assign(total=lambda frame: frame["labour_cost"] + frame["parts_cost"])
    for level, keys in scopes.items():
        for frame, extra in [(repaired, []), (by_part, ["component"])]:
            for key, group in grouped(frame, keys + extra):
                total = group["total"].dropna()
                if len(total) == 0:
                    continue
                key = key if isinstance(key, tuple) else (key,)
                scope, component = (key[:-1], key[-1]) if extra else (key, "")
                rows.append((level, name(scope), component, len(total), total.mean(), total.median(), total.quantile(0.9)))
    return pd.DataFrame(rows, columns=["scope_level", "scope", "component", "jobs", "mean", "median", "p90"])


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
