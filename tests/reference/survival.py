"""Reference values for the survival estimators, from general-purpose libraries and published data.

    python -m venv venv && venv/bin/pip install -r requirements.txt && venv/bin/python survival.py

writes survival.json beside this file: a list of checks, each with its source, its data and the values to reproduce. Data sets are
those the libraries carry, or are printed below with their source. Where no library gives a quantity, the formula is written out
here in numpy or scipy in the plainest way, and the source says so.
"""

import json
import math
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import reliability.Datasets as reliability_data
from lifelines import (
    AalenJohansenFitter,
    ExponentialFitter,
    KaplanMeierFitter,
    LogNormalFitter,
    NelsonAalenFitter,
    WeibullFitter,
    datasets,
)
from lifelines.utils import qth_survival_times
from reliability.Fitters import Fit_Weibull_2P
from reliability.Repairable_systems import MCF_nonparametric
from scipy import optimize, stats
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight

warnings.simplefilter("ignore")
CHI_SQUARE = stats.chi2.ppf(0.95, 1)
TIGHT = {"ftol": 1e-15, "gtol": 1e-12, "maxiter": 10_000}
checks = []


def plain(value):
    """Plain JSON: lists of numbers, and null for what is not a finite number."""
    if isinstance(value, dict):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple, np.ndarray, pd.Series, pd.Index)):
        return [plain(entry) for entry in value]
    if isinstance(value, (bool, str, int)):
        return value
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, np.bool_):
        return bool(value)
    return float(f"{value:.15g}") if math.isfinite(value) else None


def check(kind, name, source, data, expected, tolerance=1e-6):
    checks.append(
        {"kind": kind, "name": name, "source": source, "tolerance": tolerance, "data": plain(data), "expected": plain(expected)}
    )


def lives(exit_times, events, entry=None):
    exit_times = np.asarray(exit_times, float)
    entry = np.zeros(len(exit_times)) if entry is None else np.asarray(entry, float)
    return {"entry": entry, "exit": exit_times, "event": np.asarray(events).astype(bool)}


def thinned(times, most=25):
    """At most so many event times, evenly spread, the first and last among them."""
    times = np.unique(np.asarray(times, float))
    return times[np.unique(np.linspace(0, len(times) - 1, most).round().astype(int))] if len(times) > most else times


# ---------------------------------------------------------------------------------------------------------------- data

aids = datasets.load_multicenter_aids_cohort_study()
heart = datasets.load_stanford_heart_transplants()
waltons = datasets.load_waltons()
rossi = datasets.load_rossi()
larynx = datasets.load_larynx()
lung = datasets.load_lung()
leukemia = datasets.load_leukemia()
continuous = datasets.load_regression_dataset()
kidney = datasets.load_kidney_transplant()
senators = datasets.load_canadian_senators()
automotive = reliability_data.automotive()

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: twenty units, ten failures, test stopped at 500 hours.
nist_failures = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
nist = lives(nist_failures + [500] * 10, [1] * 10 + [0] * 10)

# -------------------------------------------------------------------------------- Kaplan-Meier, intervals and quantiles


def kaplan_meier_lifelines(name, data):
    entry = data["entry"] if data["entry"].any() else None
    fit = KaplanMeierFitter().fit(data["exit"], data["event"], entry=entry)
    times = thinned(data["exit"][data["event"]])
    bounds = fit.confidence_interval_.loc[times]
    survival = fit.survival_function_at_times(times).to_numpy()
    defined = survival > 0
    lower, upper = bounds.iloc[:, 0].where(defined), bounds.iloc[:, 1].where(defined)
    quantiles = []
    for failed in (0.1, 0.25, 0.5):
        # Where so few are at risk that none may have failed by then, the lower bound is another one: see kaplan_meier.rs.
        if (1 - failed) ** fit.event_table["at_risk"].loc[times[0]] > 0.025:
            continue
        # Rounded, because a curve that stands exactly at the level may miss it in the last digit.
        limits = qth_survival_times(1 - failed, fit.confidence_interval_.round(12))
        estimate = qth_survival_times(1 - failed, fit.survival_function_.round(12))
        quantiles.append([failed, estimate, *limits.to_numpy().ravel()])
    check(
        "kaplan_meier",
        name,
        "lifelines KaplanMeierFitter (log-log interval) and qth_survival_times",
        data,
        {"time": times, "survival": survival, "lower": lower, "upper": upper, "quantiles": quantiles},
    )


kaplan_meier_lifelines("waltons", lives(waltons["T"], waltons["E"]))
kaplan_meier_lifelines("rossi", lives(rossi["week"], rossi["arrest"]))
kaplan_meier_lifelines("larynx", lives(larynx["time"], larynx["death"]))
kaplan_meier_lifelines("lung", lives(lung["time"], lung["status"]))
kaplan_meier_lifelines("NIST 8.4.1.3", nist)
kaplan_meier_lifelines("multicenter AIDS cohort, delayed entry", lives(aids["T"], aids["D"], aids["W"]))


def kaplan_meier_statsmodels(name, data):
    fit = SurvfuncRight(data["exit"], data["event"].astype(int), entry=data["entry"])
    keep = np.isin(fit.surv_times, thinned(fit.surv_times))
    expected = {"time": fit.surv_times[keep], "survival": fit.surv_prob[keep], "standard_error": fit.surv_prob_se[keep]}
    check("kaplan_meier", name, "statsmodels SurvfuncRight (Greenwood)", data, expected | {"at_risk": fit.n_risk[keep]})


kaplan_meier_statsmodels("Stanford heart transplants, delayed entry tied with events", lives(heart["stop"], heart["event"], heart["start"]))
kaplan_meier_statsmodels("multicenter AIDS cohort, delayed entry", lives(aids["T"], aids["D"], aids["W"]))
kaplan_meier_statsmodels("kidney transplants", lives(kidney["time"], kidney["death"]))

# Rx 0 is the group on 6-mercaptopurine. Three digits of the survival and four of the standard error are printed.
treated = leukemia[leukemia["Rx"] == 0]
check(
    "kaplan_meier",
    "remission of leukaemia under 6-mercaptopurine, as printed",
    "Freireich et al. 1963, survival and standard error as tabled in Klein & Moeschberger, Survival Analysis, section 4.2 (from memory)",
    lives(treated["t"], treated["status"]),
    {
        "time": [6, 7, 10, 13, 16, 22, 23],
        "survival": [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448],
        "standard_error": [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346],
    },
    tolerance=1.2e-3,
)

# ----------------------------------------------------------------------------------------------------- Nelson-Aalen


def nelson_aalen(name, data, smoothing):
    entry = data["entry"] if data["entry"].any() else None
    fit = NelsonAalenFitter(nelson_aalen_smoothing=smoothing).fit(data["exit"], data["event"], entry=entry)
    times = thinned(data["exit"][data["event"]])
    expected = {"time": times, "cumulative_hazard": fit.cumulative_hazard_at_times(times)}
    if smoothing:
        # Without ties the smoothed estimate is the plain one, and its variance is Aalen's.
        assert len(np.unique(data["exit"][data["event"]])) == data["event"].sum()
        bounds = fit.confidence_interval_.loc[times]
        expected |= {"hazard_lower": bounds.iloc[:, 0], "hazard_upper": bounds.iloc[:, 1]}
    check("kaplan_meier", f"cumulative hazard, {name}", "lifelines NelsonAalenFitter (log interval)", data, expected)


nelson_aalen("regression data, no ties", lives(continuous["T"], continuous["E"]), True)
delayed = continuous.assign(entry=continuous["T"] * continuous["var1"] / (1 + continuous["var1"]))
nelson_aalen("regression data, entry at T var1/(1 + var1)", lives(delayed["T"], delayed["E"], delayed["entry"]), True)
nelson_aalen("rossi, tied", lives(rossi["week"], rossi["arrest"]), False)

# -------------------------------------------------------------------------------------------------- Aalen-Johansen


def competing(exit_times, cause, entry=None):
    data = lives(exit_times, cause, entry)
    del data["event"]
    return data | {"cause": np.asarray(cause, int)}


def aalen_johansen_lifelines(name, data):
    entry = data["entry"] if data["entry"].any() else None
    for cause in np.unique(data["cause"][data["cause"] > 0]):
        fit = AalenJohansenFitter().fit(pd.Series(data["exit"]), pd.Series(data["cause"]), int(cause), entry=entry)
        # Where the whole risk set fails, lifelines divides zero by zero and gives no variance.
        times = thinned(fit.variance_.dropna().index.intersection(data["exit"][data["cause"] == cause]))
        incidence = fit.cumulative_density_.iloc[:, 0].loc[times]
        check(
            "aalen_johansen",
            f"{name}, cause {cause}",
            "lifelines AalenJohansenFitter; interval log(-log(1 - F)) worked out here from its variance by the delta method",
            data,
            {"cause": cause, "time": times, "incidence": incidence, "variance": fit.variance_.loc[times]}
            | cloglog(incidence.to_numpy(), fit.variance_.loc[times].to_numpy()),
        )


def cloglog(incidence, variance):
    scale = np.log(-np.log1p(-incidence))
    half = stats.norm.ppf(0.975) * np.sqrt(variance) / ((1 - incidence) * -np.log1p(-incidence))
    return {"lower": -np.expm1(-np.exp(scale - half)), "upper": -np.expm1(-np.exp(scale + half))}


causes = np.where(continuous["E"] == 0, 0, np.where(continuous["var2"] > continuous["var3"], 2, 1))
aalen_johansen_lifelines("regression data, cause 2 where var2 > var3", competing(continuous["T"], causes))
aalen_johansen_lifelines("the same with entry at T var1/(1 + var1)", competing(continuous["T"], causes, delayed["entry"]))

left = senators[senators["diff_days"] > 0]
reasons = left["reason"].map({"Death": 1, "Resignation": 2, "Retirement": 3}).fillna(0).astype(int).where(left["observed"], 0)
senate = competing(left["diff_days"], reasons)
fit = CumIncidenceRight(senate["exit"], senate["cause"])
for cause in (1, 2, 3):
    # Where the whole risk set fails, statsmodels divides zero by zero and gives no standard error.
    defined = fit.times[np.isfinite(fit.cinc_se[cause - 1])]
    keep = np.isin(fit.times, thinned(np.intersect1d(defined, senate["exit"][senate["cause"] == cause])))
    check(
        "aalen_johansen",
        f"Canadian senators leaving by death, resignation or retirement, tied causes, cause {cause}",
        "statsmodels CumIncidenceRight, data set of lifelines",
        senate,
        {
            "cause": cause,
            "time": fit.times[keep],
            "incidence": fit.cinc[cause - 1][keep],
            "variance": fit.cinc_se[cause - 1][keep] ** 2,
        },
    )

# ---------------------------------------------------------------------------------------------------------- Weibull

check(
    "weibull",
    "NIST 8.4.1.3 as printed",
    "NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3 (maximum likelihood, twenty units)",
    nist,
    {"shape": 1.7208, "scale": 606.5280, "mean": 540.737, "standard_deviation": 323.806, "log_likelihood": -75.135},
    tolerance=3e-5,
)


def negative_log_likelihood(data, shape, scale):
    entry, exit_times, event = data["entry"], data["exit"], data["event"]
    hazard = np.log(shape / scale) + (shape - 1) * np.log(exit_times / scale)
    return -(event @ hazard - np.sum((exit_times / scale) ** shape - (entry / scale) ** shape))


def profile_bounds(data, best, quantity_to_scale):
    """Where the log-likelihood, at its best along the line of constant quantity, is down by half the chi-square quantile."""
    shape, scale, least = best
    worst = least + CHI_SQUARE / 2

    def excess(log_quantity):
        along = lambda log_shape: negative_log_likelihood(
            data, math.exp(log_shape), quantity_to_scale(math.exp(log_quantity), math.exp(log_shape))
        )
        found = optimize.minimize_scalar(along, bracket=(math.log(shape) - 0.1, math.log(shape) + 0.1), options={"xtol": 1e-10})
        return found.fun - worst

    estimate = math.log(scale / quantity_to_scale(1.0, shape))
    step = 0.05
    bounds = []
    for sign in (-1, 1):
        far = step
        while excess(estimate + sign * far) < 0:
            far *= 1.5
        bounds.append(math.exp(optimize.brentq(excess, estimate, estimate + sign * far, xtol=1e-13)))
    return [math.exp(estimate), *bounds]


def shape_bounds(data, best):
    shape, scale, least = best

    def excess(log_shape):
        along = lambda log_scale: negative_log_likelihood(data, math.exp(log_shape), math.exp(log_scale))
        found = optimize.minimize_scalar(along, bracket=(math.log(scale) - 0.1, math.log(scale) + 0.1), options={"xtol": 1e-10})
        return found.fun - least - CHI_SQUARE / 2

    bounds = []
    for sign in (-1, 1):
        far = 0.05
        while excess(math.log(shape) + sign * far) < 0:
            far *= 1.5
        bounds.append(math.exp(optimize.brentq(excess, math.log(shape), math.log(shape) + sign * far, xtol=1e-13)))
    return [shape, *bounds]


def weibull_scipy(name, data):
    """The plain two-parameter likelihood maximised by scipy, and profile-likelihood bounds by nested search."""
    start = [0.0, math.log(data["exit"].mean())]
    objective = lambda p: negative_log_likelihood(data, math.exp(p[0]), math.exp(p[1]))
    found = optimize.minimize(objective, start, method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 10_000})
    shape, scale = np.exp(found.x)
    best = (shape, scale, found.fun)
    check(
        "weibull",
        f"{name}, profile likelihood",
        "scipy.optimize on the likelihood written out in this script; bounds by nested search along lines of constant quantity",
        data,
        {
            "shape": shape,
            "scale": scale,
            "log_likelihood": -found.fun,
            "shape_interval": shape_bounds(data, best),
            "scale_interval": profile_bounds(data, best, lambda q, k: q),
            "b10_interval": profile_bounds(data, best, lambda q, k: q / (-math.log(0.9)) ** (1 / k)),
            "mean_interval": profile_bounds(data, best, lambda q, k: q / math.gamma(1 + 1 / k)),
        },
    )


weibull_scipy("NIST 8.4.1.3", nist)
weibull_scipy("lung", lives(lung["time"], lung["status"]))
weibull_scipy("multicenter AIDS cohort, delayed entry", lives(aids["T"], aids["D"], aids["W"]))
weibull_scipy("regression data, entry at T var1/(1 + var1)", lives(delayed["T"], delayed["E"], delayed["entry"]))
weibull_scipy("automotive", lives([*automotive.failures, *automotive.right_censored], [1] * 10 + [0] * 21))


def weibull_lifelines(name, data):
    entry = data["entry"] if data["entry"].any() else None
    fitted = {}
    for model in (WeibullFitter, LogNormalFitter, ExponentialFitter):
        fitted[model] = model().fit(data["exit"], data["event"], entry=entry, fit_options=TIGHT)
    weibull = fitted[WeibullFitter]
    scale_shape = weibull.variance_matrix_.to_numpy()
    check(
        "weibull",
        f"{name}, fit, covariance and AIC",
        "lifelines WeibullFitter, LogNormalFitter, ExponentialFitter",
        data,
        {
            "shape": weibull.rho_,
            "scale": weibull.lambda_,
            "log_likelihood": weibull.log_likelihood_,
            "covariance": [[scale_shape[1, 1], scale_shape[1, 0]], [scale_shape[0, 1], scale_shape[0, 0]]],
            "aic": weibull.AIC_,
            "aic_lognormal": fitted[LogNormalFitter].AIC_,
            "aic_exponential": fitted[ExponentialFitter].AIC_,
        },
    )


weibull_lifelines("NIST 8.4.1.3", nist)
weibull_lifelines("waltons", lives(waltons["T"], waltons["E"]))
weibull_lifelines("rossi", lives(rossi["week"], rossi["arrest"]))
weibull_lifelines("multicenter AIDS cohort, delayed entry", lives(aids["T"], aids["D"], aids["W"]))
weibull_lifelines("regression data, entry at T var1/(1 + var1)", lives(delayed["T"], delayed["E"], delayed["entry"]))

fit = Fit_Weibull_2P(
    failures=automotive.failures,
    right_censored=automotive.right_censored,
    method="MLE",
    show_probability_plot=False,
    print_results=False,
)
check(
    "weibull",
    "automotive",
    "reliability Fit_Weibull_2P (maximum likelihood)",
    lives([*automotive.failures, *automotive.right_censored], [1] * 10 + [0] * 21),
    {"shape": fit.beta, "scale": fit.alpha, "log_likelihood": fit.loglik},
    tolerance=1e-4,
)

shape, _, scale = stats.weibull_min.fit(
    stats.CensoredData(uncensored=lung["time"][lung["status"] == 1], right=lung["time"][lung["status"] == 0]),
    floc=0,
    optimizer=lambda f, x0, args, **_: optimize.fmin(f, x0, args=args, xtol=1e-10, ftol=1e-12, disp=False),
)
check(
    "weibull",
    "lung",
    "scipy.stats.weibull_min.fit with CensoredData",
    lives(lung["time"], lung["status"]),
    {"shape": shape, "scale": scale},
)

# -------------------------------------------------------------------------------------------- mean cumulative function


def robust(machines, repairs):
    """M(t) and Lawless & Nadeau's variance as the formula reads, one machine and one age at a time."""
    ages = sorted({age for _, age in repairs})
    mean, out = 0.0, {"age": [], "mean": [], "variance": []}
    residuals = np.zeros(len(machines))
    for age in ages:
        observed = np.array([entry < age <= exit_age for entry, exit_age in machines])
        own = np.array([sum(1 for m, a in repairs if m == i and a == age) for i in range(len(machines))])
        at_risk, total = observed.sum(), own.sum()
        mean += total / at_risk
        residuals += observed * (own - total / at_risk) / at_risk
        out["age"].append(age)
        out["mean"].append(mean)
        out["variance"].append(float(np.sum(residuals**2)))
    return out


def recurrent(machines, repairs):
    return {
        "entry": [m[0] for m in machines],
        "exit": [m[1] for m in machines],
        "repair_machine": [r[0] for r in repairs],
        "repair_age": [r[1] for r in repairs],
    }


def from_histories(histories):
    """Each list holds the repair ages of one system and, last, its age at retirement."""
    machines = [(0, max(history)) for history in histories]
    return machines, [(i, age) for i, history in enumerate(histories) for age in sorted(history)[:-1]]


for name in ("MCF_1", "MCF_2"):
    histories = getattr(reliability_data, name)().times
    machines, repairs = from_histories([list(h) for h in histories])
    fit = MCF_nonparametric(data=[list(h) for h in histories], print_results=False, show_plot=False)
    # The package gives one row per repair; the last of tied rows is the estimate at that age.
    by_age = pd.Series([float(m) for m in fit.MCF], index=[float(t) for t in fit.time]).groupby(level=0).last()
    check(
        "mean_cumulative_function",
        f"{name}, mean",
        "reliability MCF_nonparametric (its variance assumes independent repairs and is another one, so it is not compared)",
        recurrent(machines, repairs),
        {"age": by_age.index, "mean": by_age},
    )
    check(
        "mean_cumulative_function",
        f"{name}, robust variance",
        "Lawless & Nadeau 1995, written out in this script with numpy; data set of reliability",
        recurrent(machines, repairs),
        robust(machines, repairs),
    )

episodes = datasets.load_recur()
ends = episodes.groupby("ID")["TIME1"].max()
for label, entry in (("", np.zeros(120)), (", delayed entry at 0 to 49 by identity", np.arange(120) * 7 % 50)):
    chosen = [(i, e, ends.iloc[i]) for i, e in enumerate(entry) if e < ends.iloc[i]]
    machines = [(float(e), float(end)) for _, e, end in chosen]
    place = {ends.index[i]: position for position, (i, _, _) in enumerate(chosen)}
    events = episodes[(episodes["CENSOR"] == 1) & episodes["ID"].isin(place)].sort_values(["ID", "TIME1"])
    repairs = [(place[i], float(t)) for i, t in zip(events["ID"], events["TIME1"]) if machines[place[i]][0] < t]
    out = robust(machines, repairs)
    keep = np.isin(out["age"], thinned(out["age"]))
    check(
        "mean_cumulative_function",
        f"recurrent episodes of the first 120 subjects{label}",
        "Lawless & Nadeau 1995, written out in this script with numpy; data set load_recur of lifelines",
        recurrent(machines, repairs),
        {key: np.asarray(values)[keep] for key, values in out.items()},
    )

with open(Path(__file__).with_name("survival.json"), "w") as file:
    file.write("[\n" + ",\n".join(json.dumps(entry) for entry in checks) + "\n]\n")
print(len(checks), "checks")
