"""Reference values for shares, rates, quantiles, bootstrap, contrasts, standardisation, empirical Bayes and many tests at once.

Writes shares_and_contrasts.json beside this file, which the Rust tests in analytics/estimators/tests/shares_reference.rs read.
Each check is {name, source, input, expected[, tolerance]}; without a tolerance the agreement asked for is 1e-6, relative.

Run: pip install -r requirements.txt && python shares_and_contrasts.py
"""

import json
from pathlib import Path

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.stats.contingency_tables import StratifiedTable, Table2x2
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson_2indep

CHECKS = []


def check(name, source, input, expected, **more):
    CHECKS.append({"name": name, "source": source, "input": input, "expected": expected, **more})


# Shares ---------------------------------------------------------------------------------------------------------------

for events, trials in [(81, 263), (15, 148), (0, 20), (1, 29), (29, 29)]:
    lower, upper = proportion_confint(events, trials, 0.05, "wilson")
    check("wilson", f"statsmodels {statsmodels.__version__} proportion_confint(method='wilson')",
          {"events": events, "trials": trials}, {"lower": lower, "upper": upper})
# Newcombe 1998, Stat. Med. 17:857, table I, method 3 (score). Printed to four places; values from memory, confirmed by statsmodels.
for (events, trials), (lower, upper) in {(81, 263): (0.2553, 0.3662), (15, 148): (0.0624, 0.1605), (0, 20): (0.0, 0.1611),
                                         (1, 29): (0.0061, 0.1718)}.items():
    found = proportion_confint(events, trials, 0.05, "wilson")
    assert np.allclose(found, (lower, upper), atol=6e-5), (events, trials, found)
    check("wilson", "Newcombe 1998, Stat. Med. 17:857, table I, method 3 (from memory, confirmed by statsmodels)",
          {"events": events, "trials": trials}, {"lower": lower, "upper": upper}, tolerance=6e-5)

for events, trials in [(0, 20), (1, 29), (15, 148), (81, 263), (29, 29), (3, 1_000_000), (200_000, 1_000_000)]:
    lower, upper = proportion_confint(events, trials, 0.05, "beta")
    check("clopper_pearson", f"statsmodels {statsmodels.__version__} proportion_confint(method='beta')",
          {"events": events, "trials": trials}, {"lower": lower, "upper": upper})

for events, trials, share in [(3, 20, 0.4), (12, 20, 0.4), (0, 9, 0.2), (81, 263, 0.25), (450, 10_000, 0.04)]:
    tails = stats.binom.cdf(events, trials, share), stats.binom.sf(events - 1, trials, share)
    check("binomial_test", f"scipy {scipy.__version__} stats.binom: twice the smaller tail",
          {"events": events, "trials": trials, "share": share}, {"p_value": min(1.0, 2 * min(tails))})

# The design effect by an independent route: the residual form, cluster by cluster, not the five sums.
clusters = [[2, 5], [0, 1], [1, 1], [3, 4], [0, 3], [0, 1], [4, 6], [1, 2], [0, 2], [2, 2]]
e, n = np.array(clusters, float).T
p = e.sum() / n.sum()
residuals = e - p * n
variance = len(n) / (len(n) - 1) * (residuals**2).sum() / n.sum() ** 2
effect = max(1.0, variance / (p * (1 - p) / n.sum()))
lower, upper = proportion_confint(p * n.sum() / effect, n.sum() / effect, 0.05, "wilson")
check("clustered_wilson", "Rao & Scott 1992, Biometrics 48:577, residual form in numpy; Wilson by statsmodels",
      {"clusters": clusters}, {"design_effect": effect, "lower": lower, "upper": upper})

# Rates ----------------------------------------------------------------------------------------------------------------

for events, exposure in [(0, 1.0), (1, 1.0), (10, 1.0), (7, 123.5), (1_000, 250.0), (250_000, 1e6)]:
    lower = stats.chi2.ppf(0.025, 2 * events) / 2 / exposure if events else 0.0
    check("garwood", f"scipy {scipy.__version__} stats.chi2.ppf (Garwood 1936 by the chi-square identity)",
          {"events": events, "exposure": exposure}, {"lower": lower, "upper": stats.chi2.ppf(0.975, 2 * events + 2) / 2 / exposure})
# The printed table of exact limits, two places: Garwood 1936, Biometrika 28:437; from memory, confirmed by scipy.
for events, (lower, upper) in {0: (0.0, 3.69), 1: (0.0253, 5.57), 2: (0.242, 7.22), 3: (0.619, 8.77), 5: (1.62, 11.67),
                               10: (4.80, 18.39), 20: (12.22, 30.89), 50: (37.11, 65.92)}.items():
    found = (stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0, stats.chi2.ppf(0.975, 2 * events + 2) / 2)
    assert np.allclose(found, (lower, upper), atol=6e-3), (events, found)
    check("garwood", "Garwood 1936, Biometrika 28:437, table of 95 % limits (from memory, confirmed by scipy)",
          {"events": events, "exposure": 1.0}, {"lower": lower, "upper": upper}, tolerance=6e-3)

for events, mean in [(3, 1.2), (0, 4.0), (17, 30.5), (60, 41.0), (5_000, 5_100.0)]:
    tails = stats.poisson.cdf(events, mean), stats.poisson.sf(events - 1, mean)
    check("poisson_test", f"scipy {scipy.__version__} stats.poisson: twice the smaller tail",
          {"events": events, "expected_events": mean}, {"p_value": min(1.0, 2 * min(tails))})

# Quantiles ------------------------------------------------------------------------------------------------------------

costs = np.sort([38.5, 42.0, 42.0, 55.9, 61.0, 64.25, 70.0, 88.0, 95.5, 112.0, 129.0, 180.75, 245.0, 610.0])
for probability in [0.1, 0.25, 0.5, 0.9, 0.99]:
    check("quantile", f"numpy {np.__version__} quantile(method='linear'), type 7 of Hyndman & Fan 1996",
          {"sorted": costs.tolist(), "probability": probability}, {"estimate": np.quantile(costs, probability, method="linear")})
for size, probability in [(14, 0.5), (60, 0.5), (101, 0.9), (5_000, 0.9)]:
    # Ranks found by counting up from each end, as defined.
    below = stats.binom(size, probability)
    lower = max(rank for rank in range(1, size + 1) if below.cdf(rank - 1) <= 0.025)
    upper = min(rank for rank in range(1, size + 1) if below.sf(rank - 1) <= 0.025)
    check("quantile_ranks", f"scipy {scipy.__version__} stats.binom (David & Nagaraja 2003, Order Statistics, 7.1)",
          {"size": size, "probability": probability}, {"lower": lower, "upper": upper})

# Rates over machines that differ --------------------------------------------------------------------------------------

# The dispersion is the cluster-robust variance of a Poisson regression without covariates over its model variance, without statsmodels' own
# correction for few clusters. The interval: gamma quantiles, Student's for the normal one, by scipy.
rng = np.random.default_rng(41)
for number, mean, variance in [(25, 2.0, 1.0), (60, 0.4, 0.5), (12, 5.0, 0.5)]:
    exposure = np.round(rng.exponential(3.0, number) + 0.2, 3)
    events = rng.poisson(mean * rng.gamma(1 / variance, variance, number) * exposure)
    fit = sm.GLM(events, np.ones(number), family=sm.families.Poisson(), offset=np.log(exposure)).fit(
        cov_type="cluster", cov_kwds={"groups": np.arange(number), "use_correction": False})
    n = exposure.sum() ** 2 / (exposure**2).sum()
    k = max(0.0, 10 - n)
    total = events.sum()
    dispersion = max(1.0, (k * (1 + total / n) + n * fit.cov_params()[0, 0] * total) / (k + n - 1))
    tail = stats.norm.sf(stats.t.ppf(0.975, k + n - 1))
    exact = stats.chi2.ppf(0.025, 2 * total) / 2, stats.chi2.ppf(0.975, 2 * total + 2) / 2
    lower = min(exact[0], stats.gamma.ppf(tail, total / dispersion) * dispersion) / exposure.sum()
    upper = max(exact[1], stats.gamma.isf(tail, total / dispersion + 1) * dispersion) / exposure.sum()
    check("clustered_rate", f"statsmodels {statsmodels.__version__} GLM(Poisson, offset), cov_type='cluster'; quantiles by scipy {scipy.__version__}",
          {"events": events.tolist(), "exposure": exposure.tolist()},
          {"estimate": np.exp(fit.params[0]), "dispersion": dispersion, "lower": lower, "upper": upper})

# Means over machines --------------------------------------------------------------------------------------------------

# The standard error is the cluster-robust one of a least-squares mean, without statsmodels' own correction for few clusters.
for number in [6, 15, 80]:
    costs = [np.round(rng.lognormal(4.4, 0.3) * rng.lognormal(0, 0.5, 1 + rng.poisson(1.5)), 2) for _ in range(number)]
    value, groups = np.concatenate(costs), np.repeat(np.arange(number), [len(c) for c in costs])
    fit = sm.OLS(value, np.ones(len(value))).fit(cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    sizes = np.array([len(c) for c in costs])
    n = sizes.sum() ** 2 / (sizes**2).sum()
    error = fit.bse[0] * np.sqrt(n / (n - 1))
    relative = error / value.mean()
    freedom = (n - 1) / (1 + 3 * relative**2 * n)
    shift, half = relative**2, stats.t.ppf(0.975, freedom) * relative
    check("clustered_mean", f"statsmodels {statsmodels.__version__} OLS of a constant, cov_type='cluster'; quantiles by scipy {scipy.__version__}",
          {"machines": [c.tolist() for c in costs]},
          {"estimate": value.mean(), "standard_error": error, "lower": value.mean() - stats.t.ppf(0.975, n - 1) * error,
           "upper": value.mean() + stats.t.ppf(0.975, n - 1) * error,
           "amount_lower": value.mean() * np.exp(shift - half), "amount_upper": value.mean() * np.exp(shift + half)})

# Two-by-two tables ----------------------------------------------------------------------------------------------------


def table(a, n1, c, n0):
    return {"exposed_events": a, "exposed_total": n1, "reference_events": c, "reference_total": n0}


def log_bounds(ratio, variance):
    return {"estimate": ratio, "lower": ratio * np.exp(-1.959963984540054 * variance**0.5),
            "upper": ratio * np.exp(1.959963984540054 * variance**0.5)}


for cells in [(27, 122, 44, 487), (3, 40, 9, 35)]:
    relative_risk = stats.contingency.relative_risk(*cells)
    bounds = relative_risk.confidence_interval(0.95)
    check("risk_ratio", f"scipy {scipy.__version__} stats.contingency.relative_risk", table(*cells),
          {"estimate": relative_risk.relative_risk, "lower": bounds.low, "upper": bounds.high})
    a, n1, c, n0 = cells
    two_by_two = Table2x2(np.array([[a, n1 - a], [c, n0 - c]]), shift_zeros=False)
    bounds = two_by_two.oddsratio_confint()
    check("odds_ratio", f"statsmodels {statsmodels.__version__} Table2x2.oddsratio_confint", table(*cells),
          {"estimate": two_by_two.oddsratio, "lower": bounds[0], "upper": bounds[1]})
for a, n1, c, n0 in [(0, 12, 5, 14), (6, 6, 2, 9)]:
    two_by_two = Table2x2(np.array([[a, n1 - a], [c, n0 - c]]) + 0.5)
    bounds = two_by_two.oddsratio_confint()
    check("odds_ratio", f"statsmodels {statsmodels.__version__} Table2x2.oddsratio_confint with 1/2 added to each cell (Haldane-Anscombe)",
          table(a, n1, c, n0), {"estimate": two_by_two.oddsratio, "lower": bounds[0], "upper": bounds[1]})

# Smoking and lung cancer in eight cities, statsmodels' data set (Liu 1992, Int. J. Epidemiol. 21:197; Agresti 2002).
smoking = sm.datasets.china_smoking.load_pandas().data
china = [(int(r.smoking_yes_cancer_yes), int(r.smoking_yes_cancer_yes + r.smoking_yes_cancer_no),
          int(r.smoking_no_cancer_yes), int(r.smoking_no_cancer_yes + r.smoking_no_cancer_no)) for r in smoking.itertuples()]
# Alcohol and cancer of the oesophagus by age, Ille-et-Vilaine: Breslow & Day 1980, table 4.1 (from memory); two zero cells.
oesophagus = [(1, 10, 0, 106), (4, 30, 5, 169), (25, 54, 21, 159), (42, 69, 34, 173), (19, 37, 36, 124), (5, 5, 8, 39)]
# Oral hypoglycaemic drug and death by age (University Group Diabetes Program), Rothman, Modern Epidemiology (from memory).
diabetes = [(8, 106, 5, 120), (22, 98, 16, 85)]
for label, strata in [("china_smoking of statsmodels", china), ("Breslow & Day 1980, table 4.1 (from memory)", oesophagus),
                      ("Rothman 1986, Modern Epidemiology, diabetes trial (from memory)", diabetes)]:
    stratified = StratifiedTable([np.array([[a, n1 - a], [c, n0 - c]], float) for a, n1, c, n0 in strata])
    tables = [table(*cells) for cells in strata]
    low, high = stratified.oddsratio_pooled_confint()
    check("mantel_haenszel_odds_ratio",
          f"statsmodels {statsmodels.__version__} StratifiedTable.oddsratio_pooled_confint (Robins-Breslow-Greenland); {label}",
          {"strata": tables}, {"estimate": stratified.oddsratio_pooled, "lower": low, "upper": high})
    for tarone in [False, True]:
        test = stratified.test_equal_odds(adjust=tarone)
        check("breslow_day", f"statsmodels {statsmodels.__version__} StratifiedTable.test_equal_odds(adjust={tarone}); {label}",
              {"strata": tables, "tarone": tarone},
              {"chi_square": test.statistic, "p_value": test.pvalue, "degrees_of_freedom": len(strata) - 1})
    a, n1, c, n0 = np.array(strata, float).T
    n = n1 + n0
    numerator, denominator = (a * n0 / n).sum(), (c * n1 / n).sum()
    # The variance in the form of sum (m1 n1 n0 / N^2 - a c / N).
    variance = ((a + c) * n1 * n0 / n**2 - a * c / n).sum() / (numerator * denominator)
    assert abs(numerator / denominator / stratified.riskratio_pooled - 1) < 1e-12
    check("mantel_haenszel_risk_ratio",
          f"statsmodels StratifiedTable.riskratio_pooled; variance of Greenland & Robins 1985, Biometrics 41:55, in numpy; {label}",
          {"strata": tables}, log_bounds(numerator / denominator, variance))
check("mantel_haenszel_odds_ratio", "Breslow & Day 1980, 4.4: Mantel-Haenszel odds ratio 5.158 (from memory, confirmed by statsmodels)",
      {"strata": [table(*cells) for cells in oesophagus]}, {"estimate": 5.158}, tolerance=6e-4)
check("mantel_haenszel_risk_ratio", "Rothman 1986, Modern Epidemiology, diabetes trial: risk ratio 1.33 (from memory)",
      {"strata": [table(*cells) for cells in diabetes]}, {"estimate": 1.33}, tolerance=6e-3)

for label, strata in [("china_smoking of statsmodels", china), ("diabetes trial", diabetes)]:
    logs, variances = [], []
    for cells in strata:
        relative_risk = stats.contingency.relative_risk(*cells)
        bounds = relative_risk.confidence_interval(0.95)
        logs.append(np.log(relative_risk.relative_risk))
        variances.append((np.log(bounds.high / bounds.low) / 2 / 1.959963984540054) ** 2)
    # Cochran's Q as a weighted least squares residual sum.
    weights = 1 / np.array(variances)
    q = (weights * (np.array(logs) - np.average(logs, weights=weights)) ** 2).sum()
    check("risk_ratio_homogeneity", f"Cochran 1954, Biometrics 10:101, from scipy relative_risk per stratum; {label}",
          {"strata": [table(*cells) for cells in strata]}, {"chi_square": q, "p_value": stats.chi2.sf(q, len(strata) - 1)})

# Deaths from coronary disease among doctors by age, smokers and others: Breslow & Day 1987, from Doll & Hill 1966 (from memory).
doctors = [(32, 52407, 2, 18790), (104, 43248, 12, 10673), (206, 28612, 28, 5710), (186, 12663, 28, 2585), (102, 5317, 31, 1462)]
a, t1, c, t0 = np.array(doctors, float).T
rates = [{"exposed_events": int(x), "exposed_machine_years": y, "reference_events": int(z), "reference_machine_years": w}
         for x, y, z, w in doctors]
total = {"exposed_events": int(a.sum()), "exposed_machine_years": t1.sum(), "reference_events": int(c.sum()),
         "reference_machine_years": t0.sum()}
low, high = confint_poisson_2indep(a.sum(), t1.sum(), c.sum(), t0.sum(), method="wald-log", compare="ratio")
check("rate_ratio", f"statsmodels {statsmodels.__version__} confint_poisson_2indep(method='wald-log'); doctors' data (from memory)", total,
      {"estimate": (a.sum() / t1.sum()) / (c.sum() / t0.sum()), "lower": low, "upper": high})
low, high = confint_poisson_2indep(0, 40.0, 6, 75.0, method="waldcc", compare="ratio")
check("rate_ratio", f"statsmodels {statsmodels.__version__} confint_poisson_2indep(method='waldcc'), 1/2 added to the events",
      {"exposed_events": 0, "exposed_machine_years": 40.0, "reference_events": 6, "reference_machine_years": 75.0},
      {"lower": low, "upper": high})
t = t1 + t0
numerator, denominator = (a * t0 / t).sum(), (c * t1 / t).sum()
check("mantel_haenszel_rate_ratio", "Greenland & Robins 1985, Biometrics 41:55, in numpy; doctors' data (from memory)", {"strata": rates},
      log_bounds(numerator / denominator, ((a + c) * t1 * t0 / t**2).sum() / (numerator * denominator)))
check("mantel_haenszel_rate_ratio", "Rothman, Modern Epidemiology, doctors' data: 1.42 (1.15, 1.76) (from memory)", {"strata": rates},
      {"estimate": 1.42, "lower": 1.15, "upper": 1.76}, tolerance=6e-3)
ratio = numerator / denominator
# Pearson's chi-square of the table observed against expected, strata by group.
expected_exposed = (a + c) * ratio * t1 / (ratio * t1 + t0)
chi_square = ((a - expected_exposed) ** 2 / expected_exposed + (c - (a + c - expected_exposed)) ** 2 / (a + c - expected_exposed)).sum()
check("rate_ratio_homogeneity", "Breslow & Day 1987, II, ch. 3, as Pearson's chi-square in numpy; doctors' data (from memory)",
      {"strata": rates}, {"chi_square": chi_square, "p_value": stats.chi2.sf(chi_square, len(doctors) - 1)})

# A Mantel-Haenszel ratio over models that share a design. With one stratum the ratio is that of a Poisson regression on the design, and its robust
# variance is statsmodels' by cluster. Over several strata, by delete-one-model influence: the derivative of the ratio by a model's weight, numerically.
def mantel_haenszel(cells, weights):
    strata = {}
    for (_, stratum, exposed, events, size), w in zip(cells, weights):
        side = strata.setdefault(stratum, np.zeros((2, 2)))
        side[int(exposed)] += w * np.array([events, size])
    top = sum(s[1, 0] * s[0, 1] / (s[0, 1] + s[1, 1]) for s in strata.values())
    return np.log(top / sum(s[0, 0] * s[1, 1] / (s[0, 1] + s[1, 1]) for s in strata.values())), strata


for strata_number, models in [(1, 10), (4, 12)]:
    cells = []
    for model in range(models):
        own = rng.lognormal(0, 0.4)
        for stratum in range(strata_number):
            size = float(np.round(rng.lognormal(5, 0.5), 2))
            exposed = int(model % 3 == 0)
            cells.append([model, stratum, exposed, int(rng.poisson(0.1 * (1 + stratum) * own * (1.5 if exposed else 1) * size)), size])
    ratio, strata = mantel_haenszel(cells, np.ones(len(cells)))
    factor = np.exp(ratio)
    influence, expected = {}, {}
    for model in range(models):
        step = 1e-5
        mine = np.array([c[0] == model for c in cells])
        moved = [mantel_haenszel(cells, np.where(mine, 1 + sign * step, 1.0))[0] for sign in (1, -1)]
        influence[model] = (moved[0] - moved[1]) / (2 * step)
        # Expected events, weighted as in the numerator of the ratio.
        expected[model] = 0.0
        for m, stratum, exposed, events, size in cells:
            if m == model:
                (c, t0), (a, t1) = strata[stratum]
                rate = (a + c) / (factor * t1 + t0)
                expected[model] += factor * rate * size * (t0 if exposed else t1) / (t0 + t1)
    if strata_number == 1:
        # Independently: the sandwich of a Poisson regression.
        design = np.column_stack([np.ones(len(cells)), [c[2] for c in cells]])
        fit = sm.GLM([c[3] for c in cells], design, family=sm.families.Poisson(), offset=np.log([c[4] for c in cells])).fit(
            cov_type="cluster", cov_kwds={"groups": np.array([c[0] for c in cells]), "use_correction": False})
        assert abs(fit.params[1] - ratio) < 1e-9
        assert abs(fit.cov_params()[1, 1] / sum(x**2 for x in influence.values()) - 1) < 1e-6
    variance = 0.0
    for side in (0, 1):
        members = [m for m in range(models) if int(m % 3 == 0) == side]
        e = np.array([expected[m] for m in members])
        n = e.sum() ** 2 / (e**2).sum()
        variance += n / (n - 1) * sum(influence[m] ** 2 for m in members)
    tables = [{"exposed_events": int(s[1, 0]), "exposed_machine_years": s[1, 1], "reference_events": int(s[0, 0]), "reference_machine_years": s[0, 1]}
              for s in strata.values()]
    top = sum(s[1, 0] * s[0, 1] / s[:, 1].sum() for s in strata.values())
    bottom = sum(s[0, 0] * s[1, 1] / s[:, 1].sum() for s in strata.values())
    naive = sum(s[:, 0].sum() * s[1, 1] * s[0, 1] / s[:, 1].sum() ** 2 for s in strata.values()) / (top * bottom)
    check("clustered_ratio", f"statsmodels {statsmodels.__version__} GLM(Poisson), cov_type='cluster' (one stratum); numerical influence of each model in numpy, which over several "
          "strata also moves the weights of the strata: agreement to 0.5 %",
          {"cells": cells, "strata": tables}, {"estimate": factor, "factor": max(1.0, variance / naive)},
          tolerance=1e-5 if strata_number == 1 else 0.005 * variance / naive)

# Standardisation ------------------------------------------------------------------------------------------------------

# First births with Down syndrome by age of mother: Stark & Mantel 1966, in Fleiss 1981, p. 249 and Fay & Feuer 1997 (from memory).
# The standard is all births; the published rate of first births is 92.3 per 100,000.
births = [230061, 329449, 114920, 39487, 14208, 3052]
cases = [107, 141, 60, 40, 39, 25]
all_births = [319933, 931318, 786511, 488235, 237863, 61313]
e, t, w = np.array(cases, float), np.array(births, float), np.array(all_births, float)
per_event = w / w.sum() / t
rate, variance, largest = (per_event * e).sum(), (per_event**2 * e).sum(), per_event.max()
# The interval as gamma distributions with the mean and variance of the rate, and of the rate with one more event.
lower = stats.gamma.ppf(0.025, rate**2 / variance, scale=variance / rate)
upper = stats.gamma.ppf(0.975, (rate + largest) ** 2 / (variance + largest**2), scale=(variance + largest**2) / (rate + largest))
strata = [{"events": x, "exposure": y, "weight": z} for x, y, z in zip(cases, births, all_births)]
check("direct_standardisation", f"Fay & Feuer 1997, Stat. Med. 16:791, by scipy {scipy.__version__} stats.gamma; data from memory",
      {"strata": strata}, {"estimate": rate, "lower": lower, "upper": upper})
check("direct_standardisation", "Fleiss 1981, p. 249: 92.3 per 100,000 (from memory)", {"strata": strata}, {"estimate": 92.3e-5},
      tolerance=6e-7)

expected = float(np.dot([120.0, 340.0, 95.0], [0.02, 0.05, 0.11]))
check("indirect_standardisation", f"scipy {scipy.__version__} stats.chi2.ppf on the observed count",
      {"observed": 41, "strata": [[120.0, 0.02], [340.0, 0.05], [95.0, 0.11]]},
      {"estimate": 41 / expected, "lower": stats.chi2.ppf(0.025, 82) / 2 / expected, "upper": stats.chi2.ppf(0.975, 84) / 2 / expected})
bands = [(4, 30, 0.1), (9, 45, 0.15), (12, 40, 0.2)]
observed, faults, expected = 25, 115, 30 * 0.1 + 45 * 0.15 + 40 * 0.2
lower, upper = proportion_confint(observed, faults, 0.05, "wilson")
check("proportionate_fault_ratio", f"statsmodels {statsmodels.__version__} proportion_confint(method='wilson') times faults / expected",
      {"bands": [{"observed": x, "faults": y, "standard_share": z} for x, y, z in bands]},
      {"estimate": observed / expected, "lower": lower * faults / expected, "upper": upper * faults / expected})

# Empirical Bayes ------------------------------------------------------------------------------------------------------


def maximise(negative_log_likelihood, start):
    """Two optimisers in turn, to a gradient of nothing."""
    found = optimize.minimize(negative_log_likelihood, start, method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-13, "maxiter": 20_000})
    again = optimize.minimize(negative_log_likelihood, found.x, method="BFGS", options={"gtol": 1e-10})
    return again.x if again.fun < found.fun else found.x


def posterior_check(name, source, input, matched, own_weight):
    """Bounds on the scale of the posterior's deviation, which is where the normal approximation of the mean shows."""
    value = input["value"]
    deviation = np.array([p.std() for p in matched])
    scaled = {"estimate": [p.mean() for p in matched], "lower": [p.ppf(0.025) for p in matched], "upper": [p.ppf(0.975) for p in matched]}
    for quantity, expected in scaled.items():
        for group, (number, tolerance) in enumerate(zip(expected, 0.01 * deviation)):
            check(name, source, input | {"group": group}, {quantity: number}, tolerance=tolerance)
    for group, p in enumerate(matched):
        check(name, source, input | {"group": group}, {"probability_above": p.sf(value), "own_weight": own_weight[group]}, tolerance=0.003)


# Failures of ten pump systems and their operating time: Gaver & O'Muircheartaigh 1987, Technometrics 29:1 (from memory).
pump_events = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
pump_exposure = [94.320, 15.720, 62.880, 125.760, 5.240, 31.440, 1.048, 1.048, 2.096, 10.480]
y, t = np.array(pump_events), np.array(pump_exposure)
log_mean, log_dispersion = maximise(
    lambda x: -stats.nbinom.logpmf(y, np.exp(-x[1]), 1 / (1 + np.exp(x[0] + x[1]) * t)).sum(), [-1.0, 0.0])
check("gamma_poisson", f"scipy {scipy.__version__} maximum of stats.nbinom.logpmf; pump data from memory",
      {"events": pump_events, "exposure": pump_exposure, "value": 1.0},
      {"mean": np.exp(log_mean), "dispersion": np.exp(log_dispersion)}, tolerance=1e-5)

# The posterior averaged over mean and dispersion by brute force: a dense grid of both, no normal approximation.
typical = y.sum() / t.sum() * np.median(t)
u = (np.arange(800) + 0.5) / 800
size = (typical * u / (1 - u))[:, None]
rate = np.exp(np.linspace(log_mean - 6, log_mean + 6, 1201))[None, :]
log_likelihood = sum(stats.nbinom.logpmf(y_i, size, size / (size + rate * t_i)) for y_i, t_i in zip(y, t))
weight = np.exp(log_likelihood - log_likelihood.max())
weight /= weight.sum()
means, deviations, own = [], [], []
for y_i, t_i in zip(y, t):
    shape, inverse_scale = size + y_i, size / rate + t_i
    mean = (weight * shape / inverse_scale).sum()
    means.append(mean)
    deviations.append((weight * (shape / inverse_scale**2 + (shape / inverse_scale - mean) ** 2)).sum() ** 0.5)
    own.append((weight * t_i / inverse_scale).sum())
matched = [stats.gamma((m / s) ** 2, scale=s**2 / m) for m, s in zip(means, deviations)]
posterior_check("gamma_poisson_posterior", f"quadrature in numpy over mean and dispersion with scipy {scipy.__version__} stats.nbinom; pump data",
                {"events": pump_events, "exposure": pump_exposure, "value": 1.0}, matched, own)

# Condemned among jobs of invented models, from thin to thick.
share_events = [0, 1, 3, 12, 30, 2, 9, 0, 55, 7]
share_trials = [3, 5, 40, 60, 90, 31, 20, 12, 400, 21]
y, n = np.array(share_events), np.array(share_trials)
log_odds, log_dispersion = maximise(
    lambda x: -stats.betabinom.logpmf(y, n, special.expit(x[0]) / np.exp(x[1]), special.expit(-x[0]) / np.exp(x[1])).sum(), [-1.5, -2.0])
check("beta_binomial", f"scipy {scipy.__version__} maximum of stats.betabinom.logpmf",
      {"events": share_events, "trials": share_trials, "value": 0.2},
      {"mean": special.expit(log_odds), "dispersion": np.exp(log_dispersion)}, tolerance=1e-5)
u = (np.arange(400) + 0.5) / 400
size = (np.median(n) * u / (1 - u))[:, None]
share = special.expit(np.linspace(log_odds - 5, log_odds + 5, 601))[None, :]
log_likelihood = sum(stats.betabinom.logpmf(y_i, n_i, size * share, size * (1 - share)) for y_i, n_i in zip(y, n))
weight = np.exp(log_likelihood - log_likelihood.max())
weight /= weight.sum()
means, deviations, own = [], [], []
for y_i, n_i in zip(y, n):
    each = (size * share + y_i) / (size + n_i)
    mean = (weight * each).sum()
    means.append(mean)
    deviations.append((weight * (each * (1 - each) / (size + n_i + 1) + (each - mean) ** 2)).sum() ** 0.5)
    own.append((weight * n_i / (size + n_i)).sum())
matched = [stats.beta(m * k, (1 - m) * k) for m, k in ((m, m * (1 - m) / s**2 - 1) for m, s in zip(means, deviations))]
posterior_check("beta_binomial_posterior", f"quadrature in numpy over mean and dispersion with scipy {scipy.__version__} stats.betabinom",
                {"events": share_events, "trials": share_trials, "value": 0.2}, matched, own)

# Many tests -----------------------------------------------------------------------------------------------------------

# The fifteen p-values of Benjamini & Hochberg 1995, section 4 (from memory), in another order.
p_values = [0.0459, 0.0001, 0.0004, 0.3240, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
for name, method in [("benjamini_hochberg", "fdr_bh"), ("holm", "holm")]:
    check(name, f"statsmodels {statsmodels.__version__} multipletests(method='{method}'); p-values of Benjamini & Hochberg 1995 (from memory)",
          {"p_values": p_values}, {"adjusted": multipletests(p_values, method=method)[1].tolist()})

# Funnel limits --------------------------------------------------------------------------------------------------------


def funnel(distribution, size, probability):
    events = int(distribution.ppf(probability))
    while distribution.cdf(events) <= probability:
        events += 1
    while events > 0 and distribution.cdf(events - 1) > probability:
        events -= 1
    weight = (distribution.cdf(events) - probability) / distribution.pmf(events)
    return max(0.0, (events - weight) / size)


LEVELS = {"lower_998": 0.001, "lower_95": 0.025, "upper_95": 0.975, "upper_998": 0.999}
for target, exposure in [(0.15, 8.0), (0.15, 240.0), (0.02, 30_000.0)]:
    check("funnel_poisson", f"Spiegelhalter 2005, Stat. Med. 24:1185, A.1, by scipy {scipy.__version__} stats.poisson",
          {"target": target, "exposure": exposure},
          {name: funnel(stats.poisson(target * exposure), exposure, level) for name, level in LEVELS.items()})
for target, trials in [(0.15, 8), (0.15, 240), (0.6, 30_000)]:
    check("funnel_binomial", f"Spiegelhalter 2005, Stat. Med. 24:1185, A.1, by scipy {scipy.__version__} stats.binom",
          {"target": target, "trials": trials},
          {name: funnel(stats.binom(trials, target), trials, level) for name, level in LEVELS.items()})

path = Path(__file__).with_suffix(".json")
path.write_text(json.dumps({"checks": CHECKS}, indent=1, default=float) + "\n")
print(f"{len(CHECKS)} checks of {len({c['name'] for c in CHECKS})} kinds -> {path.name}")
